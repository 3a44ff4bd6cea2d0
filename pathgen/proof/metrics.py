"""Gaps and overlap in the plane of a layer: how the beads that a program deposits cover the section wanted.

Everything starts from a `Program` read back (or from `Moves`, which give the same); nothing is taken from
the planner. Shares are fractions of 1. Each result is a frozen record, and its `as_dict` a flat row for CSV
or JSON whose keys end in their unit. Spacings, strokes and flow along the path are in `trace`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pathgen.errors import PathgenError
from pathgen.gcode.read import Program
from pathgen.motion.moves import Kind, Moves
from pathgen.proof.deposit_map import COUNTED
from pathgen.proof.footprint import (
    Beads,
    Floats,
    Joints,
    Width,
    beads_of,
    check_outline,
    joint_shapes,
    run_shapes,
    section_shape,
    visible_width,
)
from pathgen.proof.frame import Frame

Row = dict[str, str | int | float | None]
Span = tuple[float, float]

DEEP = 1e3  # mm, deeper than any wall


@dataclass(frozen=True, slots=True)
class LayerMetrics:
    """How the beads of one layer cover the section they should.

    Attributes
    ----------
    layer : int
        Number from 0.
    width : str
        Width the beads were given: "spacing" or "visible".
    section_area, covered_area : float
        Wanted section, and what of it any bead covers, mm².
    void : float
        Share of the section that no bead covers.
    overlap : float
        Areas of all runs inside the section, less their union, less joints, over the section's area: a place
        that two beads cover counts once, one that three cover twice.
    outside : float
        Area that beads cover outside the section, over the section's area.
    filled : float
        Deposited volume over packing and layer height, over the section's area: 1 where the amount is right,
        wherever it lies. A bead that is cut by the limits of what is looked at counts by length.
    joints : str
        How the beads of a run meet: "round" or "fitted".
    """

    layer: int
    width: str
    section_area: float
    covered_area: float
    void: float
    overlap: float
    outside: float
    filled: float
    joints: str = "round"

    def as_dict(self) -> Row:
        """Give the row, None for shares of an empty section."""
        shares = {name: getattr(self, name) for name in ("void", "overlap", "outside", "filled")}
        row: Row = {"layer": self.layer, "width": self.width, "joints": self.joints}
        row |= {"section_mm2": self.section_area, "covered_mm2": self.covered_area}
        return row | {f"{name}_share": None if math.isnan(v) else v for name, v in shares.items()}


def in_plane(
    source: Program | Moves,
    frame: Frame,
    sections: Sequence[Floats | BaseGeometry] | Floats,
    layers: Sequence[int],
    *,
    packing: float,
    filament_diameter: float,
    width: Width = "spacing",
    joints: Joints = "round",
    between: Span | None = None,
    kinds: tuple[Kind, ...] = COUNTED,
) -> list[LayerMetrics]:
    """Measure gaps and overlap of a few layers.

    Parameters
    ----------
    source : Program or Moves
        Machine coordinates.
    frame : Frame
        How the panel stands.
    sections : sequence, one for each of `layers`
        What the layer should be: (C,) thickness of every column, mm, or a shapely polygon in (u, n).
    layers : sequence of int
        Numbers from 0; `sample_layers` gives some.
    packing : float
        Deposited volume over geometric volume.
    filament_diameter : float
        mm.
    width : {"spacing", "visible"}
        Width of a bead; see the module `footprint`. Gaps and overlap of a fill are those of "spacing".
    joints : {"round", "fitted"}
        How the beads of a run meet; see the module `footprint`. "round" counts the bulges of changing widths
        as overlap, "fitted" does not.
    between : tuple of float, optional
        Range of u that is looked at, mm; by default all there is.
    kinds : tuple of Kind
        Kinds of move that count.

    Returns
    -------
    list of LayerMetrics
        One a layer. Shares are NaN where the section is empty.

    Raises
    ------
    PathgenError
        For a layer that is not there, a section that does not fit the frame, a number that is not above 0,
        a bent panel.

    Examples
    --------
    >>> fed, kind = np.full(1, 0.4 * 0.2 * 5 / 2.405282), np.array([Kind.WALL], np.uint8)
    >>> x, y, z = np.array([5.0]), np.array([-0.2]), np.array([0.2])
    >>> bead = Moves((0, -0.2, 0.2), x, y, z, fed, fed, kind, np.array([0]))
    >>> frame = Frame(0, 0.0, 0.0, 5.0, 0.5, np.array([0.2]))
    >>> found = in_plane(bead, frame, [np.full(10, 0.5)], [0], packing=1, filament_diameter=1.75)
    >>> round(found[0].void, 3), found[0].overlap  # 0.4 mm of 0.5 mm
    (0.2, 0.0)
    """
    check_outline(width, joints)
    if len(sections) != len(layers):
        raise PathgenError(f"{len(sections)} sections for {len(layers)} layers", where="in_plane")
    if wrong := [i for i in layers if not 0 <= i < len(frame.tops)]:
        raise PathgenError(f"layer {wrong[0]}", where="in_plane", allowed=f"0 to {len(frame.tops) - 1}")
    amounts = {"packing": packing, "filament_diameter": filament_diameter}
    beads = beads_of(source, frame, **amounts, kinds=kinds, layers=layers)
    found = []
    for layer, section in zip(layers, sections, strict=True):
        wanted = section if isinstance(section, BaseGeometry) else section_shape(np.asarray(section), frame)
        here = beads.only(beads.layer == layer)
        wide = here.spacing if width == "spacing" else visible_width(here.spacing, frame.heights[layer])
        areas = _covered(here, wide, joints, wanted, between)
        found.append(LayerMetrics(layer=layer, width=width, joints=joints, **areas))
    return found


def pooled(metrics: Sequence[LayerMetrics]) -> Row:
    """Put layers together, by area, as one row; shares are None where no section has any.

    Examples
    --------
    >>> two = [LayerMetrics(i, "spacing", 1.0 + i, 1.0, 0.3 * i, 0.0, 0.0, 1.0) for i in (0, 1)]
    >>> round(pooled(two)["void_share"], 3)
    0.2
    """
    section = sum(m.section_area for m in metrics)
    row: Row = {"sampled_layers": len(metrics), "section_mm2": section}
    row["covered_mm2"] = sum(m.covered_area for m in metrics)
    for name in ("void", "overlap", "outside", "filled"):
        parts = [getattr(m, name) * m.section_area for m in metrics if m.section_area > 0]
        row[f"{name}_share"] = sum(parts) / section if section > 0 else None
    return row


def sample_layers(count: int, of: int) -> list[int]:
    """Choose layers spread evenly: the middles of `count` equal parts of all but the outermost layers.

    Parameters
    ----------
    count : int
        How many; at least 1. All layers where there are no more.
    of : int
        How many layers there are.

    Returns
    -------
    list of int
        Ascending, from 0. First and last are among them only where `count` needs them; none for no layers.

    Raises
    ------
    PathgenError
        For a count below 1.

    Examples
    --------
    >>> sample_layers(5, 1000), sample_layers(3, 4), sample_layers(9, 2)
    ([100, 300, 500, 699, 899], [0, 2, 3], [0, 1])
    """
    if count < 1:
        raise PathgenError(f"{count} layers to sample", where="sample_layers", allowed="1 or more")
    count = min(count, of)
    lowest, many = (1, of - 2) if count <= of - 2 else (0, of)
    return [lowest + (2 * i + 1) * many // (2 * count) for i in range(count)]


def _covered(
    beads: Beads, wide: Floats, joints: Joints, wanted: BaseGeometry, between: Span | None
) -> dict[str, float]:
    """Measure one layer's beads against its section: areas and shares, by their names in the record."""
    runs = run_shapes(beads, wide, joints)
    shared = joint_shapes(beads, wide, runs)
    union = shapely.union_all(runs)
    laid, share = float(union.area), np.ones(len(beads))
    if between is not None:
        low, high = between
        window = shapely.box(low, -DEEP, high, DEEP)
        wanted = wanted.intersection(window)
        laid, share = float(union.intersection(window).area), _within(beads, low, high)
    area, covered = float(wanted.area), float(union.intersection(wanted).area)
    many, joined = (shapely.area(shapely.intersection(shape, wanted)).sum() for shape in (runs, shared))
    parts = {
        "void": area - covered,
        "overlap": float(many) - covered - float(joined),
        "outside": laid - covered,
        "filled": float(beads.area @ share),
    }
    # Differences of sums of areas: what is 0 may come out a last digit below.
    shares = {name: max(part / area, 0.0) if area > 0 else math.nan for name, part in parts.items()}
    return {"section_area": area, "covered_area": covered, **shares}


def _within(beads: Beads, low: float, high: float) -> Floats:
    """Share of each bead's length that lies between two places along u; of one across, all or nothing."""
    first, last = np.sort(np.stack([beads.start[:, 0], beads.end[:, 0]]), axis=0)
    span = last - first
    inside = np.clip(np.minimum(last, high) - np.maximum(first, low), 0.0, None)
    at = (first >= low) & (first < high)
    share: Floats = np.where(span > 0, inside / np.where(span > 0, span, 1.0), at)
    return share
