"""From a result to its pictures."""

from __future__ import annotations

from io import BytesIO

import numpy as np

from pathgen import optics
from pathgen.job import Result
from pathgen.layers import Strokes
from pathgen.report.figures import PreviewFacts, SampleLayer, draw_preview
from pathgen.summary import clock


def preview(result: Result) -> bytes:
    """Draw what was planned: thickness, wanted picture, bead counts, three sample layers.

    Parameters
    ----------
    result : Result

    Returns
    -------
    bytes
        A PNG; the same result gives the same bytes.
    """
    planned, facts = result.planned, result.summary
    panel, job = planned.panel, planned.setup.job
    law = optics.law(planned.setup.material.light)
    thinnest = float(panel.thickness[panel.picture].min()) or job.thinnest
    buffer = BytesIO()
    draw_preview(
        buffer,
        PreviewFacts(
            thickness=panel.thickness,
            luminance=optics.backlit(panel.thickness, law, thinnest),
            counts=result.counts[::-1],
            layers=tuple(_sample(result, index) for index in sorted(result.samples)),
            width=panel.width,
            height=panel.height,
            title=f"{planned.source} on {facts['machine']}, {facts['material']}",
            lines=(
                f"{facts['width_mm']:g} × {facts['height_mm']:g} mm, "
                f"{facts['layers']} layers of {job.layer:g} mm, "
                f"about {clock(float(str(facts['time_s'])))}, {facts['filament_m']:.1f} m of filament, "
                f"{facts['mass_g']:.0f} g",
                f"stands {facts['rotation_reason']}; {job.fill} fill, "
                f"{facts['bead_changes_per_layer']:g} bead-count changes a layer",
            ),
        ),
    )
    return buffer.getvalue()


def _sample(result: Result, index: int) -> SampleLayer:
    """Lay out one layer's deposits as segments with their pitch and visible width."""
    layers = result.planned.layers
    strokes: Strokes = result.samples[index]
    length = strokes.length()
    made = np.flatnonzero((strokes.area > 0) & (length > 0))
    bend = result.planned.bend
    flat = (strokes.u, strokes.n) if bend is None else bend.to_flat(strokes.u, strokes.n)
    points = np.stack(flat, axis=1)
    pitch = strokes.area[made] / length[made]
    height = float(layers.height[index])
    # The visible width of a stadium section of area pitch × height.
    width = pitch + height * (1 - np.pi / 4)
    ends = np.stack([points[made - 1], points[made]], axis=1)
    return SampleLayer(float(layers.top[index]), index, ends, pitch, width)
