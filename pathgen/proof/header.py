"""How a written program's panel stands: from its header, or from its deposits where it has none.

A program of pathgen states its settings in its first lines (`pathgen.program.summary.first_facts` writes
them), so it can be judged without any other file. What a person states wins over the header. Of a program
without a header only the motion is known, and what is guessed from it is said in a note.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.files.inputs import Input, input_name, not_text, open_input
from pathgen.gcode.read import Program, read_program
from pathgen.motion.bands import BEGUN
from pathgen.panel.view import View
from pathgen.proof.deposit_map import COUNTED
from pathgen.proof.frame import Frame, bend_said, check_grid, fact, view_said
from pathgen.settings import (
    Dialect,
    Machine,
    Material,
    digest,
    job_from,
    load_machine,
    load_material,
    machine_names,
    material_names,
    settle,
)
from pathgen.settings.validation import format_value

Floats = NDArray[np.float64]

HEAD = 1 << 16  # bytes in which a header stands
OTHERS_PIXEL, OTHERS_PACKING = 0.1, 1.0  # for programs that do not say
PACKING = (0.01, 100.0)  # beyond, filament and wall have nothing to do with each other

# Keys of a header that a person can state instead, and the option that does.
FRAME = {
    "panel width": "--width",
    "panel rotation": "--rotation",
    "panel origin x": "--origin",
    "panel origin y": "--origin",
    "job pixel": "--pixel",
    "job packing": "--packing",
}
# Keys of the second and later panels: "panel 2 width", "job 2 brim", "picture 2".
_OF_PANEL = re.compile(r"(?P<head>panel|job|picture|settings) (?P<number>[1-9]\d{0,3})(?P<rest>$| .*)")
_LAYERS = ("panel layers", "job layer", "job first_layer")
# Comments are read alike in every dialect, so any does for a header.
_ANY = Dialect("E", "relative", "mm", "semicolon", "machine", start="", finish="")


@dataclass(frozen=True, slots=True)
class Stated:
    """What a person says of a program; it wins over the header. None stands for: not said.

    Attributes
    ----------
    pixel : float, optional
        Width of the columns, mm.
    packing : float, optional
        Deposited volume over geometric volume.
    width : float, optional
        Of the panel, mm.
    rotation : float, optional
        0: the panel stands along X, 90: along Y.
    origin : (float, float), optional
        Machine position of the lower left corner of the panel's back as the viewer sees it, mm.
    panel : int, optional
        Which panel of several, from 1.
    """

    pixel: float | None = None
    packing: float | None = None
    width: float | None = None
    rotation: float | None = None
    origin: tuple[float, float] | None = None
    panel: int | None = None

    def __post_init__(self) -> None:
        """Refuse what no panel has."""
        for name in ("pixel", "packing", "width"):
            value = getattr(self, name)
            if value is not None and not 0 < value < math.inf:
                raise PathgenError(f"{name} is {value:g}", where="replay", allowed="more than 0")
        if self.rotation is not None and not 0 <= self.rotation < 360:
            raise PathgenError(f"rotation is {self.rotation}", where="replay", allowed="0 to 360 degrees")
        if self.origin and not all(map(math.isfinite, self.origin)):
            raise PathgenError(f"origin is {self.origin}", where="replay", allowed="finite numbers")


@dataclass(frozen=True, slots=True, eq=False)
class ProgramPanel:
    """How a program's panel stands, and what its filament makes.

    Attributes
    ----------
    frame : Frame
    packing : float or (L,) float64
        Of all layers, or of each where bands differ, bottom first.
    filament_diameter : float
        mm, as it counts: for a machine with a filament factor, its root times the filament's own.
    white : float or None
        Thickness that shows the picture's white, mm, where the header says it.
    notes : tuple of str
        What was guessed, and what does not agree.
    view : View
        How the standing panel differs from what its viewer sees.
    """

    frame: Frame
    packing: float | Floats
    filament_diameter: float
    white: float | None
    notes: tuple[str, ...]
    view: View = View()

    @property
    def size(self) -> tuple[float, float]:
        """Width and height of the panel as its viewer sees it, mm."""
        return self.view.size(self.frame.width, float(self.frame.tops[-1]))


class _Guess(NamedTuple):
    """What a frame is made of, and how solid the wall is."""

    rotation: float
    origin: tuple[float, float]
    width: float
    pixel: float
    packing: float


def read_facts(source: Input) -> dict[str, str]:
    r"""Read a program's header alone: what it says has to be known before the rest can be read.

    Parameters
    ----------
    source : bytes, path or binary stream

    Returns
    -------
    dict of str to str
        Empty where there is no header.

    Raises
    ------
    PathgenError
        When the file cannot be opened, is empty, or holds no text.

    Examples
    --------
    >>> read_facts(b"; pathgen 1.0\n; panel rotation = 90\n; job pixel = 0.1\nG21\n")
    {'panel rotation': '90', 'job pixel': '0.1'}
    """
    where = input_name(source)
    with open_input(source, "a program") as stream:
        head = stream.read(HEAD)
    if not head:
        raise PathgenError("the file is empty", where=where, allowed="a program")
    if b"\0" in head:
        raise not_text(where, "a program")
    lines = []
    for line in head.splitlines(keepends=True):
        if line.strip()[:1] not in (b"", b";", b"(", b"%") or not line.endswith(b"\n"):
            break
        lines.append(line)
    # A damaged line is for whoever judges the program; here it only says nothing.
    return read_program(b"".join(lines), _ANY, 1.75, max_faults=len(lines) + 1).header


def machine_for(facts: dict[str, str], given: Machine | None = None) -> Machine:
    """Find the machine a program is for: the one given, or the shipped one its header names.

    Raises
    ------
    PathgenError
        When there is neither.
    """
    return given or load_machine(_shipped("machine", facts, machine_names()))


def material_for(facts: dict[str, str], given: Material | None = None) -> Material:
    """Find the material a program is for, as `machine_for` does.

    Raises
    ------
    PathgenError
        When there is neither.
    """
    return given or load_material(_shipped("material", facts, material_names()))


def locate_panel(program: Program, machine: Machine, stated: Stated | None = None) -> ProgramPanel:
    """Work out how a program's panel stands.

    Parameters
    ----------
    program : Program
    machine : Machine
    stated : Stated, optional
        Wins over the header.

    Returns
    -------
    Standing
        With a header, its frame; the panel is as many layers high as were planned, also where the program was
        cut short. Without one, the extents of the deposits above the first layer (brim and start line lie in
        the first), u along the longer side.

    Raises
    ------
    PathgenError
        When a header lacks a key or has a value that cannot be, with the option that says it instead; when
        there is no header and nothing is deposited; when the grid would have over 100 million cells.
    """
    stated = stated or Stated()
    program = replace(program, header=panel_facts(program.header, stated.panel))
    own = any(key.startswith("panel ") for key in program.header)
    guess, notes = (_told if own else _guessed)(program, stated)
    takes = machine.hot_end.filament_diameter
    diameter = _within(program, "filament diameter", 0.1, 10.0) or takes
    if diameter != takes:
        notes.append(f"planned for {diameter:g} mm filament, but {machine.name} takes {takes:g} mm")
    white = _within(program, "job thinnest", 0.001, 100.0)
    if not PACKING[0] <= guess.packing <= PACKING[1]:
        what, allowed = f"packing is {guess.packing:g}", f"{PACKING[0]:g} to {PACKING[1]:g}"
        raise PathgenError(what, where="replay", allowed=allowed)
    check_grid(guess.width, guess.pixel, 0)
    tops, more = _tops(program, guess, own)
    # Width and pixel are rounded in a header, but a panel's columns are whole.
    columns = max(1, round(guess.width / guess.pixel))
    bend = bend_said(program, guess.width)
    box = _box(program)
    frame = Frame(guess.rotation, *guess.origin, guess.width, guess.width / columns, tops, bend, box)
    packing = guess.packing if stated.packing else _by_band(program, guess.packing, tops)
    counts = diameter * math.sqrt(machine.hot_end.filament_factor)
    return ProgramPanel(frame, packing, counts, white, (*notes, *more), view_said(program))


def _by_band(program: Program, packing: float, tops: Floats) -> float | Floats:
    """Give each layer's packing where bands have their own."""
    if "job band" not in program.header:
        return packing
    bands = job_from({"band": program.header["job band"]}, "header").band
    if all(band.packing is None for band in bands):
        return packing
    values = np.array([packing, *(band.packing or packing for band in bands)])
    bottom = np.concatenate([[0.0], tops[:-1]])
    return np.asarray(values[np.searchsorted([b.above for b in bands], bottom + BEGUN, side="right")])


def panel_facts(facts: dict[str, str], panel: int | None = None) -> dict[str, str]:
    """Give a header's facts as one of its panels has them.

    Parameters
    ----------
    facts : dict of str to str
        Of a whole header.
    panel : int, optional
        Which panel, from 1; by default the first.

    Raises
    ------
    PathgenError
        When there are not that many.

    Examples
    --------
    >>> panel_facts({"panels": "2", "job brim": "10", "job 2 brim": "5"}, 2)
    {'panels': '2', 'job brim': '5'}
    """
    said = facts.get("panels", "")
    count = int(said) if said.isascii() and said.isdigit() and len(said) < 5 else 1
    if panel is not None and not 1 <= panel <= count:
        allowed = f"1 to {count}" if count > 1 else "1: the program makes a single panel"
        raise PathgenError(f"panel is {panel}", where="replay", allowed=allowed)
    common, own = {}, {}
    for key, value in facts.items():
        match = _OF_PANEL.match(key)
        if match is None:
            common[key] = value
        elif int(match["number"]) == panel:
            own[match["head"] + match["rest"]] = value
    return common | own


def _box(program: Program) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Give what belongs to a panel that has neighbours."""
    if "panel low u" not in program.header:
        return None
    u, n = ((fact(program, f"panel low {axis}"), fact(program, f"panel high {axis}")) for axis in ("u", "n"))
    return u, n


def digest_note(facts: dict[str, str], machine: Machine, material: Material) -> list[str]:
    """Remark on a header whose settings are not those that the shipped profiles it names give.

    A profile of one's own may bear a shipped name; the header's digest is of what stood in it.
    """
    keys = {key.removeprefix("job "): value for key, value in facts.items() if key.startswith("job ")}
    try:
        setup = settle(job_from(keys, "header"), machine, material)
    except PathgenError:
        return []
    # A pathgen with other keys in its jobs sums up the same settings differently.
    known = {key for key in setup.job.__struct_fields__ if getattr(setup.job, key) not in (None, ())}
    if known - {"machine", "material"} != set(keys) or facts.get("settings") in (None, digest(setup)):
        return []
    names = f"{machine.name} and {material.name}"
    return [f"settings differ from the shipped {names}: if it was made with profiles of your own, name them"]


def _shipped(what: str, facts: dict[str, str], known: list[str]) -> str:
    """Name of a shipped profile. A header's word is never taken for a path."""
    if what not in facts:
        hint = f"--{what} names it"
        raise PathgenError(f"no {what!r} among the program's facts", where="header", hint=hint)
    if facts[what] not in known:
        text = f"{what} = {format_value(facts[what])} is no shipped profile"
        raise PathgenError(text, where="header", hint=f"name its file with --{what}")
    return facts[what]


def _told(program: Program, stated: Stated) -> tuple[_Guess, list[str]]:
    """Take from the header what is not stated."""
    rotation = _number(program, "panel rotation", stated.rotation)
    if not 0 <= rotation < 360:
        raise _refusal(f"panel rotation = {rotation:g}", "panel rotation", "0 to 360 degrees")
    x, y = stated.origin or (None, None)
    return _Guess(
        rotation=rotation,
        origin=(_number(program, "panel origin x", x), _number(program, "panel origin y", y)),
        width=_above_0(program, "panel width", stated.width),
        pixel=_above_0(program, "job pixel", stated.pixel),
        packing=_above_0(program, "job packing", stated.packing),
    ), []


def _guessed(program: Program, stated: Stated) -> tuple[_Guess, list[str]]:
    """Take from the motion what is not stated."""
    moves = program.moves
    made = np.isin(moves.kind, COUNTED) & (moves.filament > 0)
    if (made & (moves.layer > 0)).any():
        made &= moves.layer > 0
    at = np.flatnonzero(made)
    if not len(at):
        raise PathgenError("the program deposits nothing", where="replay", hint="is it for this machine?")
    low, high = [], []
    for ends, start in zip((moves.x, moves.y), moves.start, strict=False):
        both = np.concatenate([ends[at], np.where(at > 0, ends[at - 1], start)])
        low.append(float(both.min()))
        high.append(float(both.max()))
    longer = 0 if high[0] - low[0] >= high[1] - low[1] else 90
    rotation = longer if stated.rotation is None else stated.rotation
    along = 1 if rotation else 0
    guess = _Guess(
        rotation=rotation,
        origin=stated.origin or ((low[0], low[1]) if rotation else (low[0], high[1])),
        width=stated.width or high[along] - low[along],
        pixel=stated.pixel or OTHERS_PIXEL,
        packing=stated.packing or OTHERS_PACKING,
    )
    side = "Y, seen from high x" if rotation else "X, seen from low y"
    note = (
        f"no header: taken to stand along {side}, {guess.width:.2f} mm wide, columns of {guess.pixel:g} mm, "
        f"packing {guess.packing:g} (--rotation, --origin, --width, --pixel, --packing say otherwise); "
        "brim and start line count as wall"
    )
    return guess, [note]


def _number(program: Program, key: str, said: float | None) -> float:
    """Take what is stated, or else what the header says."""
    if said is not None:
        return said
    try:
        return fact(program, key)
    except PathgenError as error:
        raise _refusal(error.what, key) from None


def _above_0(program: Program, key: str, said: float | None) -> float:
    value = _number(program, key, said)
    if value <= 0:
        raise _refusal(f"{key} = {value:g}", key, "more than 0")
    return value


def _within(program: Program, key: str, low: float, high: float) -> float | None:
    """Take what a program need not say; None where it does not."""
    if key not in program.header:
        return None
    value = fact(program, key)
    if not low <= value <= high:
        raise PathgenError(f"{key} = {value:g}", where="header", allowed=f"{low:g} to {high:g}")
    return value


def _refusal(what: str, key: str, allowed: str = "") -> PathgenError:
    hint = f"{FRAME[key]} says it instead"
    return PathgenError(what, where="header", allowed=allowed, hint=hint)


def _tops(program: Program, guess: _Guess, own: bool) -> tuple[Floats, list[str]]:
    """Give the layers' tops as planned, or where the deposits lie; refuse too large a grid."""
    if program.header.get("job layer") == "auto":
        return _marked_tops(program), []
    missing = [key for key in _LAYERS if key not in program.header]
    if missing:
        tops = np.unique(program.tops[program.tops > 0])
        return tops, [f"no {missing[0]!r} in the header: layers are where deposits are"] if own else []
    count, layer, first = (fact(program, key) for key in _LAYERS)
    if not (count >= 1 and count == int(count) and layer > 0 and first > 0):
        what = f"{count:g} layers of {layer:g} mm, the first of {first:g} mm"
        raise PathgenError(what, where="header", allowed="whole numbers of layers, heights above 0")
    check_grid(guess.width, guess.pixel, count, first + layer * (count - 1))
    return np.asarray(first + layer * np.arange(int(count))), []


def _marked_tops(program: Program) -> Floats:
    """Give the tops of layers of several heights: what the marks of a whole program say of one panel."""
    count = fact(program, "panel layers")
    tops = program.tops[: int(count)] if count == int(count) and count >= 1 else np.zeros(0)
    if len(tops) < count or not (np.diff(tops, prepend=0.0) > 0).all():
        what = f"{count:g} layers of several heights, and {len(program.tops)} marks of layers"
        raise PathgenError(what, where="header", allowed="a mark for each layer, rising")
    return np.asarray(tops, np.float64)
