"""Gaps and overlaps between the beads of a program, as fractions of a layer's target section.

All functions start from a `Program` that was read back, or from its `Moves`; nothing comes from the planner.
Shares are fractions of 1. Each result is a frozen record whose `as_dict` returns a flat row for CSV or JSON;
each key ends in its unit. Spacing, strokes and flow along the path are in `trace`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pathgen.errors import PathgenError
from pathgen.files.quantities import Quantity
from pathgen.gcode.read import Program
from pathgen.motion.moves import Moves
from pathgen.proof.footprint import (
    Beads,
    Floats,
    Joints,
    Width,
    check_options,
    extract_beads,
    joint_shapes,
    run_shapes,
    section_shape,
    visible_width,
)
from pathgen.proof.frame import Frame

Span = tuple[float, float]

DEEP = 1e3  # mm, more than any wall thickness


@dataclass(frozen=True, slots=True)
class LayerMetrics:
    """Coverage of the target section of one layer by its beads.

    Attributes
    ----------
    layer : int
        Layer number from 0.
    width : str
        Width of the beads: "spacing" or "visible".
    section_area, covered_area : float
        Area of the target section, and area of its covered part, mm².
    void : float
        Share of the section that no bead covers.
    overlap : float
        Sum of the areas of all runs inside the section, minus their union and their joints, as a share of the
        section; a place covered by two beads counts once, a place covered by three counts twice.
    outside : float
        Covered area outside the section, as a share of the section.
    filled : float
        Deposited volume divided by packing and layer height, as a share of the section: 1 if the amount is
        right, wherever it lies. A bead that crosses a limit of `between` counts by the length inside.
    joints : str
        Shape of joints inside a run: "round" or "fitted".
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


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneFigures:
    """Coverage of several layers, weighted by area; None if all their sections are empty."""

    sampled_layers: Annotated[int, Quantity("count", "layers measured")]
    section_mm2: Annotated[float, Quantity("mm²", "area of their sections")]
    covered_mm2: Annotated[float, Quantity("mm²", "area of the sections that beads cover")]
    void_share: Annotated[float | None, Quantity("share", "section that no bead covers")] = None
    overlap_share: Annotated[float | None, Quantity("share", "section that beads cover again")] = None
    outside_share: Annotated[float | None, Quantity("share", "area covered outside the section")] = None
    filled_share: Annotated[
        float | None, Quantity("share", "deposited volume divided by packing, layer height and section")
    ] = None
    wrong_share: Annotated[float | None, Quantity("share", "void, overlap and outside together")] = None


def measure_coverage(
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
) -> list[LayerMetrics]:
    """Measure gaps and overlap of the beads in sampled layers.

    Parameters
    ----------
    source : Program or Moves
        Machine coordinates.
    frame : Frame
        Position of the panel.
    sections : sequence, one for each of `layers`
        Target section: (C,) thickness of each column, mm, or a shapely polygon in (u, n).
    layers : sequence of int
        Layer numbers from 0; `sample_layers` chooses some.
    packing : float
        Deposited volume divided by geometric volume.
    filament_diameter : float
        mm.
    width : {"spacing", "visible"}
        Width of a bead, see `pathgen.proof.footprint`. Use "spacing" for gaps and overlap of a fill.
    joints : {"round", "fitted"}
        Shape of joints inside a run, see `pathgen.proof.footprint`. With "round", the bulges at changes of
        width count as overlap; with "fitted" they do not.
    between : tuple of float, optional
        Range of u to measure, mm; by default, everything.

    Returns
    -------
    list of LayerMetrics
        One per layer. Shares are NaN if the section is empty.

    Raises
    ------
    PathgenError
        For a layer that does not exist, a section that does not match the frame, a packing or diameter that
        is not positive, or a bent panel.

    Examples
    --------
    >>> from pathgen.motion import Kind
    >>> fed, kind = np.full(1, 0.4 * 0.2 * 5 / 2.405282), np.array([Kind.WALL], np.uint8)
    >>> x, y, z = np.array([5.0]), np.array([-0.2]), np.array([0.2])
    >>> bead = Moves((0, -0.2, 0.2), x, y, z, fed, fed, kind, np.array([0]))
    >>> frame = Frame(0, 0.0, 0.0, 5.0, 0.5, np.array([0.2]))
    >>> found = measure_coverage(bead, frame, [np.full(10, 0.5)], [0], packing=1, filament_diameter=1.75)
    >>> round(found[0].void, 3), found[0].overlap  # 0.4 mm of 0.5 mm
    (0.2, 0.0)
    """
    check_options(width, joints)
    if len(sections) != len(layers):
        raise PathgenError(
            f"there are {len(sections)} sections for {len(layers)} layers", where="measure_coverage"
        )
    if wrong := [i for i in layers if not 0 <= i < len(frame.tops)]:
        allowed = f"0 to {len(frame.tops) - 1}"
        raise PathgenError(f"layer {wrong[0]} does not exist", where="measure_coverage", allowed=allowed)
    beads = extract_beads(source, frame, packing=packing, filament_diameter=filament_diameter, layers=layers)
    found = []
    for layer, section in zip(layers, sections, strict=True):
        wanted = section if isinstance(section, BaseGeometry) else section_shape(np.asarray(section), frame)
        here = beads.select(beads.layer == layer)
        wide = here.spacing if width == "spacing" else visible_width(here.spacing, frame.heights[layer])
        areas = _covered(here, wide, joints, wanted, between)
        found.append(LayerMetrics(layer=layer, width=width, joints=joints, **areas))
    return found


def pool_layers(metrics: Sequence[LayerMetrics]) -> PlaneFigures:
    """Combine the coverage of layers, weighted by the areas of their sections.

    Examples
    --------
    >>> two = [LayerMetrics(i, "spacing", 1.0 + i, 1.0, 0.3 * i, 0.0, 0.0, 1.0) for i in (0, 1)]
    >>> round(pool_layers(two).void_share, 3)
    0.2
    """
    section = sum(m.section_area for m in metrics)
    covered = sum(m.covered_area for m in metrics)
    shares: dict[str, float] = {}
    if section > 0:
        for name in ("void", "overlap", "outside", "filled"):
            parts = [getattr(m, name) * m.section_area for m in metrics if m.section_area > 0]
            shares[f"{name}_share"] = sum(parts) / section
        shares["wrong_share"] = shares["void_share"] + shares["overlap_share"] + shares["outside_share"]
    return PlaneFigures(sampled_layers=len(metrics), section_mm2=section, covered_mm2=covered, **shares)


def sample_layers(count: int, of: int) -> list[int]:
    """Choose `count` evenly spaced layers, if possible without the first and the last one.

    Parameters
    ----------
    count : int
        Number of layers to choose, at least 1; if there are fewer, all are chosen.
    of : int
        Number of layers.

    Returns
    -------
    list of int
        Ascending layer numbers from 0. The first and the last layer are chosen only if `count` requires it.

    Raises
    ------
    PathgenError
        If `count` is below 1.

    Examples
    --------
    >>> sample_layers(5, 1000), sample_layers(3, 4), sample_layers(9, 2)
    ([100, 300, 500, 699, 899], [0, 2, 3], [0, 1])
    """
    if count < 1:
        raise PathgenError(
            f"a sample of {count} layers was requested", where="sample_layers", allowed="1 or more"
        )
    count = min(count, of)
    lowest, many = (1, of - 2) if count <= of - 2 else (0, of)
    return [lowest + (2 * i + 1) * many // (2 * count) for i in range(count)]


def _covered(
    beads: Beads, wide: Floats, joints: Joints, wanted: BaseGeometry, between: Span | None
) -> dict[str, float]:
    """Compare the beads of one layer with its section; the keys are those of `LayerMetrics`."""
    runs = run_shapes(beads, wide, joints)
    shared = joint_shapes(beads, wide, runs)
    union = shapely.union_all(runs)
    inside, share = float(union.area), np.ones(len(beads))
    if between is not None:
        low, high = between
        window = shapely.box(low, -DEEP, high, DEEP)
        wanted = wanted.intersection(window)
        inside, share = float(union.intersection(window).area), _shares_between(beads, low, high)
    area, covered = float(wanted.area), float(union.intersection(wanted).area)
    many, joined = (shapely.area(shapely.intersection(shape, wanted)).sum() for shape in (runs, shared))
    parts = {
        "void": area - covered,
        "overlap": float(many) - covered - float(joined),
        "outside": inside - covered,
        "filled": float(beads.area @ share),
    }
    # Rounding can make a difference of sums slightly negative.
    shares = {name: max(part / area, 0.0) if area > 0 else math.nan for name, part in parts.items()}
    return {"section_area": area, "covered_area": covered, **shares}


def _shares_between(beads: Beads, low: float, high: float) -> Floats:
    """Return the fraction of each bead that lies between two values of u."""
    first, last = np.sort(np.stack([beads.start[:, 0], beads.end[:, 0]]), axis=0)
    span = last - first
    inside = np.clip(np.minimum(last, high) - np.maximum(first, low), 0.0, None)
    at = (first >= low) & (first < high)
    share: Floats = np.where(span > 0, inside / np.where(span > 0, span, 1.0), at)
    return share
