"""From a result to its pictures."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pathgen import optics
from pathgen.job import Planned, Result
from pathgen.layers import Layers, Strokes
from pathgen.layers.strokes import Floats, Ints
from pathgen.layers.supports import Supports
from pathgen.panel import Bend, Panel
from pathgen.panel.overhang import OverhangPlace
from pathgen.plan.model import Summary
from pathgen.program.summary import format_duration, grams
from pathgen.report.layer_samples import SampleLayer
from pathgen.report.map_marks import FIN, RIB, Marks
from pathgen.report.preview_figure import PreviewFacts, draw_preview
from pathgen.report.stability_band import Stability

Cell = TypeVar("Cell", bound=np.generic)


def preview(result: Result) -> bytes:
    """Draw what was planned: maps, what keeps the panel standing, three sample layers.

    Parameters
    ----------
    result : Result
        Of several panels the first is drawn.

    Returns
    -------
    bytes
        A PNG; the same result gives the same bytes.
    """
    buffer = BytesIO()
    draw_preview(buffer, facts_of(result))
    return buffer.getvalue()


def facts_of(result: Result) -> PreviewFacts:
    """Gather what the preview shows."""
    planned, facts = result.planned, result.summary
    panel, job = planned.panel, planned.setup.job
    law = optics.law(planned.setup.material.light)
    thinnest = float(panel.thickness[panel.picture].min()) or job.thinnest
    thickness = _upright(panel, panel.thickness)
    rows, cols = thickness.shape
    return PreviewFacts(
        thickness=thickness,
        luminance=optics.backlit(thickness, law, thinnest),
        counts=_upright(panel, result.counts[::-1]),
        layers=tuple(_sample(result, index) for index in sorted(result.samples)),
        width=cols * panel.pixel,
        height=rows * panel.pixel,
        title=_title(result),
        lines=(
            f"{cols * panel.pixel:g} × {rows * panel.pixel:g} mm, "
            f"{_layers_said(facts)}, "
            f"{_together(result)}about {format_duration(float(str(facts['time_s'])))}, "
            f"{facts['filament_m']:.1f} m of filament, {grams(float(str(facts['mass_g'])))}",
            f"stands {_edge(panel)}{facts['rotation_reason']}; {job.fill} fill, "
            f"{facts['bead_changes_per_layer']:g} bead-count changes a layer",
        ),
        marks=_marks(planned),
        standing=Stability(
            planned.steady,
            planned.overhang,
            planned.axes,
            str(facts["rotation_reason"]),
            _words(planned.supports),
            int(np.count_nonzero(panel.thickness)),
        ),
    )


def _layers_said(facts: Summary) -> str:
    low, high = facts["layer_least_mm"], facts["layer_most_mm"]
    return (
        f"{facts['layers']} layers of {low:g} mm"
        if low == high
        else f"{facts['layers']} layers of {low:g} to {high:g} mm"
    )


def _title(result: Result) -> str:
    """Name the picture, the machine and the plastic, and that it is one panel of several."""
    facts, several = result.summary, len(result.parts)
    of = f", the first of {several} panels" if several > 1 else ""
    return f"{result.planned.source} on {facts['machine']}, {facts['material']}{of}"


def _together(result: Result) -> str:
    """Say of what goes for a whole program that it does, where the sheet shows one panel of several."""
    several = len(result.parts)
    return f"all {several} panels " if several > 1 else ""


def _edge(panel: Panel) -> str:
    """Say on which edge a turned panel stands; strips from above show it as it stands."""
    return f"on its {panel.view.edge} edge " if panel.view.turn else ""


def _upright(panel: Panel, standing: NDArray[Cell]) -> NDArray[Cell]:
    """Show a map, row 0 at the top, as it is to be seen; every map of the preview comes through here."""
    return panel.view.upright(standing)


def _marks(planned: Planned) -> Marks:
    """Make the maps of what is marked: what leans, the numbers of the worst places, the supports."""
    panel, found = planned.panel, planned.overhang
    shape = panel.thickness.shape
    face, outline, numbers = np.zeros(shape, bool), np.zeros(shape, bool), np.zeros(shape, np.int8)
    supports = np.zeros(shape, np.int8)
    if found is not None:
        outline = found.unsupported & found.outline
        face = found.unsupported & ~found.outline
        for number, place in enumerate(found.worst, start=1):
            numbers[_cell(place, panel)] = number
    if planned.supports is not None:
        supports = silhouette(planned.supports, planned.layers, planned.bend)
    return Marks(
        *(_upright(panel, m) for m in (face, outline)), *(_upright(panel, m) for m in (numbers, supports))
    )


def _cell(place: OverhangPlace, panel: Panel) -> tuple[int, int]:
    """Row and column of the middle of a place."""
    rows, cols = panel.thickness.shape
    row = rows - 1 - round(place.z / panel.pixel)
    col = int(sum(place.u) / 2 / panel.pixel)
    return min(max(row, 0), rows - 1), min(max(col, 0), cols - 1)


def silhouette(supports: Supports, layers: Layers, bend: Bend | None = None) -> NDArray[np.int8]:
    """Find what supports hide of a panel and beside it, seen from the front.

    Parameters
    ----------
    supports : Supports
    layers : Layers
    bend : Bend, optional
        How the panel is bent, and its supports with it.

    Returns
    -------
    (rows, cols) int8
        Of the panel's map: `FIN` where a bead runs along n, `RIB` where others are, 0 elsewhere. What stands
        outside the panel's box is left away.
    """
    shape, pixel = layers.panel.thickness.shape, layers.panel.pixel
    fins, ribs = np.zeros(shape, bool), np.zeros(shape, bool)
    for strokes in (supports.strips, supports.tabs, supports.comb):
        ends, spacing, layer = _deposits(strokes, bend)
        along_n = np.abs(np.diff(ends[..., 1], axis=1)[:, 0]) > np.abs(np.diff(ends[..., 0], axis=1)[:, 0])
        # Half a bead more on both sides, also of beads along u: their ends are round.
        left, right = ends[..., 0].min(axis=1) - spacing / 2, ends[..., 0].max(axis=1) + spacing / 2
        low, high = layers.top[layer] - layers.height[layer], layers.top[layer]
        spans = np.round(np.stack([low, high, left, right], axis=1) / pixel).astype(np.intp)
        fins |= _boxes(spans[along_n], shape)
        ribs |= _boxes(spans[~along_n], shape)
    return np.where(fins, FIN, np.where(ribs, RIB, 0)).astype(np.int8)


def _boxes(spans: Ints, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Fill boxes (low, high, left, right), in pixels from the lower left, of a map with row 0 at the top."""
    rows, cols = shape
    low, high, left, right = np.clip(spans, 0, [rows, rows, cols, cols]).T
    change = np.zeros((rows + 1, cols + 1), np.int32)
    for z, u, sign in ((low, left, 1), (low, right, -1), (high, left, -1), (high, right, 1)):
        np.add.at(change, (z, u), sign)
    return (change.cumsum(axis=0).cumsum(axis=1)[:-1, :-1] > 0)[::-1]


def _words(supports: Supports | None) -> tuple[str, ...]:
    """Say what stands beside the panel."""
    if supports is None or not supports.share:
        return ()
    said = []
    if supports.contacts:
        said.append(f"wedges: {supports.contacts} tabs to break")
    if supports.fins:
        way = f"from one to the next the outline reaches at most {supports.bridge:.1f} mm"
        said.append(f"comb: {supports.fins} fins, {way}")
    return (*said, f"{100 * supports.share:.1f} % of the panel's material")


def _deposits(strokes: Strokes, bend: Bend | None = None) -> tuple[Floats, Floats, Ints]:
    """Lay out strokes as segments that deposit: ends (M, 2, 2), unbent, spacing (M,), mm, and layer (M,)."""
    length = strokes.length()
    made = np.flatnonzero((strokes.area > 0) & (length > 0))
    flat = (strokes.u, strokes.n) if bend is None else bend.to_flat(strokes.u, strokes.n)
    points = np.stack(flat, axis=1)
    layer = np.repeat(strokes.layer, np.diff(strokes.start))
    return np.stack([points[made - 1], points[made]], axis=1), strokes.area[made] / length[made], layer[made]


def _sample(result: Result, index: int) -> SampleLayer:
    """Lay out one layer's deposits, and those of the supports beside it, with spacing and visible width."""
    planned, strokes = result.planned, result.samples[index]
    height = float(planned.layers.height[index])
    # The visible width of a stadium section of area spacing × height.
    rounded = height * (1 - np.pi / 4)
    ends, spacing, _ = _deposits(strokes, planned.bend)
    wall = SampleLayer(float(planned.layers.top[index]), index, ends, spacing, spacing + rounded)
    if planned.supports is None:
        return wall
    kinds = (planned.supports.strips, planned.supports.tabs, planned.supports.comb)
    beside = [_deposits(kind.select(index, index + 1), planned.bend) for kind in kinds]
    supports, widths = (np.concatenate([part[i] for part in beside]) for i in (0, 1))
    return replace(wall, supports=supports, supports_width=widths + rounded)
