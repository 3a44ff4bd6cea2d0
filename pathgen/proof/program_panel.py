"""Position of a program's panel, and the factors that convert filament to wall volume.

Both come from the header; a value that a person states overrides it. A program without a header has only its
motion; the values estimated from it are listed in a note.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.gcode.read import Program
from pathgen.motion.bands import BEGUN
from pathgen.panel.view import View
from pathgen.proof.deposit_map import COUNTED
from pathgen.proof.frame import Frame, check_grid, read_bend, read_view
from pathgen.proof.header import Header, JobFacts, find_fact, require
from pathgen.settings import Machine, job_from

Floats = NDArray[np.float64]

DEFAULT_PIXEL, DEFAULT_SOLIDITY = 0.1, 1.0  # assumed for programs without a header
SOLIDITY = (0.01, 100.0)  # outside these limits, filament and wall are unrelated


@dataclass(frozen=True, slots=True)
class Stated:
    """Values from the user that override the header of a program; None if not given.

    Attributes
    ----------
    pixel : float, optional
        Width of the columns, mm.
    packing : float, optional
        Deposited volume divided by geometric volume.
    width : float, optional
        Width of the panel, mm.
    rotation : float, optional
        0: the panel stands along X, 90: along Y.
    origin : (float, float), optional
        Machine position of the lower left corner of the panel's back as viewed, mm.
    panel : int, optional
        Number of the panel, from 1, in a program with several.
    """

    pixel: float | None = None
    packing: float | None = None
    width: float | None = None
    rotation: float | None = None
    origin: tuple[float, float] | None = None
    panel: int | None = None

    def __post_init__(self) -> None:
        """Reject values that no panel can have."""
        for name in ("pixel", "packing", "width"):
            value = getattr(self, name)
            if value is not None and not 0 < value < math.inf:
                raise PathgenError(f"{name} is {value:g}", where="replay", allowed="a value above 0")
        if self.rotation is not None and not 0 <= self.rotation < 360:
            raise PathgenError(f"rotation is {self.rotation}", where="replay", allowed="0 to 360 degrees")
        if self.origin and not all(map(math.isfinite, self.origin)):
            raise PathgenError(f"origin is {self.origin}", where="replay", allowed="finite numbers")

    @property
    def overrides(self) -> dict[str, float]:
        """The user's values, by the name of the header field that each replaces."""
        x0, y0 = self.origin or (None, None)
        values = {"pixel": self.pixel, "packing": self.packing, "width": self.width}
        values |= {"rotation": self.rotation, "x0": x0, "y0": y0}
        return {name: value for name, value in values.items() if value is not None}


@dataclass(frozen=True, slots=True, eq=False)
class ProgramPanel:
    """Position of a program's panel, and the factors that convert filament to wall volume.

    Attributes
    ----------
    frame : Frame
    packing : float or (L,) float64
        Of all layers, or of each layer where bands differ, bottom first.
    filament_diameter : float
        Effective diameter, mm: that of the filament times the root of the machine's filament factor.
    white : float or None
        Thickness that shows the picture's white, mm, if the header states it.
    notes : tuple of str
        Estimated values, and contradictions.
    view : View
        Orientation of the standing panel relative to its viewer.
    """

    frame: Frame
    packing: float | Floats
    filament_diameter: float
    white: float | None
    notes: tuple[str, ...]
    view: View = View()

    @property
    def size(self) -> tuple[float, float]:
        """Width and height of the panel as viewed, mm."""
        return self.view.size(self.frame.width, float(self.frame.tops[-1]))


class _Estimate(NamedTuple):
    """Position, size and pixel of a frame, and the packing of the wall."""

    rotation: float
    origin: tuple[float, float]
    width: float
    pixel: float
    packing: float


def locate_panel(program: Program, machine: Machine, stated: Stated | None = None) -> ProgramPanel:
    """Locate the panel of a program on the platform.

    Parameters
    ----------
    program : Program
    machine : Machine
    stated : Stated, optional
        Overrides the header.

    Returns
    -------
    ProgramPanel
        With a header, the frame that it states; the panel has all planned layers, even if the program was
        cut short. Without one, the extents of the deposits above the first layer (which has brim and
        start line), u along the longer side.

    Raises
    ------
    PathgenError
        When the header lacks a key or has an impossible value, with the option that states it instead; when
        there is no header and nothing is deposited; when the grid would have over 100 million cells.
    """
    stated = stated or Stated()
    header = Header.read(program.header, stated.panel, frozenset(stated.overrides))
    notes: list[str] = []
    if header.has_frame:
        found = _from_header(header, stated.overrides)
    else:
        found = _estimated(program, stated, notes)
    takes = machine.hot_end.filament_diameter
    diameter = _between(header, "filament_diameter", 0.1, 10.0) or takes
    if diameter != takes:
        notes.append(f"planned for {diameter:g} mm filament, but {machine.name} takes {takes:g} mm")
    white = _between(header.job, "thinnest", 0.001, 100.0)
    if not SOLIDITY[0] <= found.packing <= SOLIDITY[1]:
        what, allowed = f"packing is {found.packing:g}", f"{SOLIDITY[0]:g} to {SOLIDITY[1]:g}"
        raise PathgenError(what, where="replay", allowed=allowed)
    check_grid(found.width, found.pixel, 0)
    tops, more = _tops(program, header, found)
    # Width and pixel are rounded in a header, but a panel has a whole number of columns.
    pixel = found.width / max(1, round(found.width / found.pixel))
    bend = read_bend(header, found.width)
    frame = Frame(found.rotation, *found.origin, found.width, pixel, tops, bend, header.box)
    packing = found.packing if stated.packing else _by_band(header, found.packing, tops)
    counts = diameter * math.sqrt(machine.hot_end.filament_factor)
    return ProgramPanel(frame, packing, counts, white, (*notes, *more), read_view(header))


def _by_band(header: Header, packing: float, tops: Floats) -> float | Floats:
    """Return the packing of each layer if bands change the packing, else None."""
    bands = job_from({"band": header.job.band}, "header").band
    if all(band.packing is None for band in bands):
        return packing
    values = np.array([packing, *(band.packing or packing for band in bands)])
    bottom = np.concatenate([[0.0], tops[:-1]])
    return np.asarray(values[np.searchsorted([b.above for b in bands], bottom + BEGUN, side="right")])


def _from_header(header: Header, overrides: dict[str, float]) -> _Estimate:
    """Take the frame's values from the header, unless the user states them."""

    def value(record: Header | JobFacts, name: str, low: float = -math.inf) -> float:
        number = overrides[name] if name in overrides else require(record, name)
        if not number > low:
            raise find_fact(record, name).wrong(number, f"more than {low:g}")
        return number

    rotation = value(header, "rotation")
    if not 0 <= rotation < 360:
        raise find_fact(header, "rotation").wrong(rotation, "0 to 360 degrees")
    return _Estimate(
        rotation=rotation,
        origin=(value(header, "x0"), value(header, "y0")),
        width=value(header, "width", 0.0),
        pixel=value(header.job, "pixel", 0.0),
        packing=value(header.job, "packing", 0.0),
    )


def _estimated(program: Program, stated: Stated, notes: list[str]) -> _Estimate:
    """Estimate the frame's missing values from the motion, and add a note."""
    moves = program.moves
    deposits = np.isin(moves.kind, COUNTED) & (moves.filament > 0)
    if (deposits & (moves.layer > 0)).any():
        deposits &= moves.layer > 0
    at = np.flatnonzero(deposits)
    if not len(at):
        hint = "check that it is a program for this machine"
        raise PathgenError("the program deposits nothing", where="replay", hint=hint)
    low, high = [], []
    for ends, start in zip((moves.x, moves.y), moves.start, strict=False):
        both = np.concatenate([ends[at], np.where(at > 0, ends[at - 1], start)])
        low.append(float(both.min()))
        high.append(float(both.max()))
    longer = 0 if high[0] - low[0] >= high[1] - low[1] else 90
    rotation = longer if stated.rotation is None else stated.rotation
    along = 1 if rotation else 0
    found = _Estimate(
        rotation=rotation,
        origin=stated.origin or ((low[0], low[1]) if rotation else (low[0], high[1])),
        width=stated.width or high[along] - low[along],
        pixel=stated.pixel or DEFAULT_PIXEL,
        packing=stated.packing or DEFAULT_SOLIDITY,
    )
    side = "Y, viewed from high x" if rotation else "X, viewed from low y"
    notes.append(
        f"no header: assumed to stand along {side}, {found.width:.2f} mm wide, with columns of "
        f"{found.pixel:g} mm and packing {found.packing:g} (--rotation, --origin, --width, --pixel and "
        "--packing override this); brim and start line count as wall"
    )
    return found


def _between(record: Header | JobFacts, name: str, low: float, high: float) -> float | None:
    """Check the limits of an optional header value and return the value; None if it is missing."""
    value: float | None = getattr(record, name)
    if value is not None and not low <= value <= high:
        raise find_fact(record, name).wrong(value, f"{low:g} to {high:g}")
    return value


def _tops(program: Program, header: Header, found: _Estimate) -> tuple[Floats, list[str]]:
    """Return the layer tops, mm, from the header or else from the deposits."""
    if header.job.layer == "auto":
        return _marked_tops(program, header), []
    stated = {"panel layers": header.layers, "job layer": header.job.layer}
    stated["job first_layer"] = header.job.first_layer
    missing = [key for key, value in stated.items() if value is None]
    if missing:
        tops = np.unique(program.tops[program.tops > 0])
        note = f"no {missing[0]!r} in the header: layers are taken from the deposits"
        return tops, [note] if header.has_frame else []
    count, layer, first = (
        require(header, "layers"),
        require(header.job, "layer"),
        require(header.job, "first_layer"),
    )
    if not (count >= 1 and count == int(count) and layer > 0 and first > 0):
        what = f"the header states {count:g} layers of {layer:g} mm, with a first layer of {first:g} mm"
        raise PathgenError(what, where="header", allowed="a whole number of layers, with heights above 0 mm")
    check_grid(found.width, found.pixel, count, first + layer * (count - 1))
    return np.asarray(first + layer * np.arange(int(count))), []


def _marked_tops(program: Program, header: Header) -> Floats:
    """Return the tops of layers of different heights, mm, from the layer comments."""
    count = require(header, "layers")
    tops = program.tops[: int(count)] if count == int(count) and count >= 1 else np.zeros(0)
    if len(tops) < count or not (np.diff(tops, prepend=0.0) > 0).all():
        what = f"the header states {count:g} layers, but there are {len(program.tops)} layer comments"
        raise PathgenError(
            what,
            where="header",
            allowed="one comment per layer, with heights that increase from layer to layer",
        )
    return np.asarray(tops, np.float64)
