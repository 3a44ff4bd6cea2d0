"""Preview of a planned print, from the result of planning."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pathgen import optics
from pathgen.job import Planned, Result
from pathgen.layers import Layers, Strokes
from pathgen.layers.strokes import Floats, Ints
from pathgen.layers.supports import Supports
from pathgen.panel import Bend, Panel
from pathgen.panel.overhang import OverhangPlace
from pathgen.program.summary import format_duration, grams
from pathgen.report.layer_samples import SampleLayer
from pathgen.report.map_marks import FIN, RIB, Marks
from pathgen.report.preview_figure import PreviewFacts, compose_preview
from pathgen.report.stability_band import Stability


def preview(result: Result) -> bytes:
    """Draw the preview of a planned print: maps, stability, and three sampled layers.

    Parameters
    ----------
    result : Result
        If there are several panels, the preview shows the first.

    Returns
    -------
    bytes
        PNG; the same result gives the same bytes.
    """
    return compose_preview(gather_facts(result)).png()


def gather_facts(result: Result) -> PreviewFacts:
    """Collect the content of the preview."""
    planned, facts, several = result.planned, result.summary, len(result.parts)
    panel, setup = planned.panel, planned.setup
    law = optics.law(setup.material.light)
    thinnest = float(panel.thickness[panel.picture].min()) or setup.light.thinnest
    thickness = panel.view.upright(panel.thickness)
    rows, cols = thickness.shape
    low, high = facts.layer_min_mm, facts.layer_max_mm
    span = f"{low:g} mm" if low == high else f"{low:g} to {high:g} mm"
    edge = f"on its {panel.view.edge} edge " if panel.view.turn else ""
    first = f", the first of {several} panels" if several > 1 else ""
    every = f"all {several} panels " if several > 1 else ""
    wall, reason = int(np.count_nonzero(panel.thickness)), facts.rotation_reason
    supports = _describe_supports(planned.supports)
    return PreviewFacts(
        thickness=thickness, luminance=optics.backlit(thickness, law, thinnest),
        counts=panel.view.upright(result.counts[::-1]),
        layers=tuple(_sample(result, index) for index in sorted(result.samples)),
        width=cols * panel.pixel, height=rows * panel.pixel,
        title=f"{planned.source} on {facts.machine}, {facts.material}{first}",
        lines=(
            f"{cols * panel.pixel:g} × {rows * panel.pixel:g} mm, {facts.layers} layers of {span}, {every}"
            f"about {format_duration(facts.times.time_s)}, {facts.filament_m:.1f} m of filament, "
            f"{grams(facts.mass_g)}",
            f"stands {edge}{reason}; {setup.beads.fill} fill, "
            f"{facts.bead_changes_per_layer:g} changes of the bead count per layer",
        ),
        marks=_marks(planned),
        stability=Stability(planned.steady, planned.overhang, planned.axes, reason, supports, wall),
    )  # fmt: skip


def _marks(planned: Planned) -> Marks:
    """Return the marks for overhangs and supports on the map, as viewed from the front."""
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
    view = panel.view
    return Marks(view.upright(face), view.upright(outline), view.upright(numbers), view.upright(supports))


def _cell(place: OverhangPlace, panel: Panel) -> tuple[int, int]:
    """Return the row and the column of the middle of an overhang on the map."""
    rows, cols = panel.thickness.shape
    row = rows - 1 - round(place.z / panel.pixel)
    col = int(sum(place.u) / 2 / panel.pixel)
    return min(max(row, 0), rows - 1), min(max(col, 0), cols - 1)


def silhouette(supports: Supports, layers: Layers, bend: Bend | None = None) -> NDArray[np.int8]:
    """Return a mask of the pixels that supports hide from the viewer.

    Parameters
    ----------
    supports : Supports
    layers : Layers
    bend : Bend, optional
        Bend of the panel and of its supports.

    Returns
    -------
    (rows, cols) int8
        On the panel's map: `FIN` for beads along n, `RIB` for other beads, 0 elsewhere. Supports beyond the
        map are cut off.
    """
    shape, pixel = layers.panel.thickness.shape, layers.panel.pixel
    fins, ribs = np.zeros(shape, bool), np.zeros(shape, bool)
    for strokes in (supports.strips, supports.tabs, supports.comb):
        ends, spacing, layer = _deposits(strokes, bend)
        along_n = np.abs(np.diff(ends[..., 1], axis=1)[:, 0]) > np.abs(np.diff(ends[..., 0], axis=1)[:, 0])
        # Half a bead is added at both sides; the ends of beads along u are round too.
        left, right = ends[..., 0].min(axis=1) - spacing / 2, ends[..., 0].max(axis=1) + spacing / 2
        low, high = layers.top[layer] - layers.height[layer], layers.top[layer]
        spans = np.round(np.stack([low, high, left, right], axis=1) / pixel).astype(np.intp)
        fins |= _boxes(spans[along_n], shape)
        ribs |= _boxes(spans[~along_n], shape)
    return np.where(fins, FIN, np.where(ribs, RIB, 0)).astype(np.int8)


def _boxes(spans: Ints, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return a mask of boxes (low, high, left, right), in pixels from the lower left corner."""
    rows, cols = shape
    low, high, left, right = np.clip(spans, 0, [rows, rows, cols, cols]).T
    change = np.zeros((rows + 1, cols + 1), np.int32)
    for z, u, sign in ((low, left, 1), (low, right, -1), (high, left, -1), (high, right, 1)):
        np.add.at(change, (z, u), sign)
    return (change.cumsum(axis=0).cumsum(axis=1)[:-1, :-1] > 0)[::-1]


def _describe_supports(supports: Supports | None) -> tuple[str, ...]:
    """Describe the supports of a panel in a sentence."""
    if supports is None or not supports.share:
        return ()
    lines = []
    if supports.contacts:
        lines.append(f"wedges: {supports.contacts} tabs to break off")
    if supports.fins:
        lines.append(f"comb: {supports.fins} fins; the outline bridges at most {supports.bridge:.1f} mm")
    return (*lines, f"{100 * supports.share:.1f} % of the panel's material")


def _deposits(strokes: Strokes, bend: Bend | None = None) -> tuple[Floats, Floats, Ints]:
    """Return deposits as unbent segments: ends (M, 2, 2) and spacing (M,), mm, and layer (M,)."""
    length = strokes.length()
    made = np.flatnonzero((strokes.area > 0) & (length > 0))
    flat = (strokes.u, strokes.n) if bend is None else bend.to_flat(strokes.u, strokes.n)
    points = np.stack(flat, axis=1)
    layer = np.repeat(strokes.layer, np.diff(strokes.start))
    return np.stack([points[made - 1], points[made]], axis=1), strokes.area[made] / length[made], layer[made]


def _sample(result: Result, index: int) -> SampleLayer:
    """Return the beads of one layer and of its supports, with spacing and visible width."""
    planned, strokes = result.planned, result.samples[index]
    height = float(planned.layers.height[index])
    # Visible width minus spacing of a stadium-shaped section.
    rounded = height * (1 - np.pi / 4)
    ends, spacing, _ = _deposits(strokes, planned.bend)
    wall = SampleLayer(float(planned.layers.top[index]), index, ends, spacing, spacing + rounded)
    if planned.supports is None:
        return wall
    kinds = (planned.supports.strips, planned.supports.tabs, planned.supports.comb)
    beside = [_deposits(kind.select(index, index + 1), planned.bend) for kind in kinds]
    supports, widths = (np.concatenate([part[i] for part in beside]) for i in (0, 1))
    return replace(wall, supports=supports, supports_width=widths + rounded)
