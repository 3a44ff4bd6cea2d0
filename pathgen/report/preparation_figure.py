"""The stages of a prepared picture, side by side on one sheet, for whoever judges by eye."""

from __future__ import annotations

from io import BytesIO

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pathgen.report.preview_figure import DPI, PAPER, TEXT

ACROSS = 4  # pictures in a row
WIDE = 420  # dots of a picture
GAP, HEAD, LINE = 36, 70, 24
HAIR = "#7c838a"


def stages_png(stages: list[tuple[str, NDArray[np.float32]]], title: str, lines: list[str]) -> bytes:
    """Draw stages side by side, in the order they were made, with lines of advice below.

    Parameters
    ----------
    stages : list of (name, (rows, cols) float32)
        Coded grey, 0 to 1. At least one.
    title : str
    lines : list of str

    Returns
    -------
    bytes
        A PNG; the same stages give the same bytes.

    Examples
    --------
    >>> stages_png([("grey", np.full((20, 30), 0.5, np.float32))], "a photo", ["nothing to do"])[1:4]
    b'PNG'
    """
    rows = -(-len(stages) // ACROSS)
    across = min(ACROSS, len(stages))
    tall = max(round(WIDE * codes.shape[0] / codes.shape[1]) for _, codes in stages)
    wide = max(GAP + across * (WIDE + GAP), 900)
    high = HEAD + rows * (tall + GAP + LINE) + LINE * (len(lines) + 1) + GAP
    sheet = Figure(figsize=(wide / DPI, high / DPI), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(sheet)
    sheet.text(GAP / wide, 1 - 42 / high, title, fontsize=14, fontweight="bold", parse_math=False, **TEXT)
    for number, (name, codes) in enumerate(stages):
        row, col = divmod(number, ACROSS)
        left, top = GAP + col * (WIDE + GAP), HEAD + row * (tall + GAP + LINE) + LINE
        drawn = round(WIDE * codes.shape[0] / codes.shape[1])
        axes = sheet.add_axes((left / wide, 1 - (top + drawn) / high, WIDE / wide, drawn / high))
        axes.imshow(codes, cmap="gray", vmin=0, vmax=1, interpolation="antialiased", aspect="auto")
        axes.set(xticks=[], yticks=[])
        for spine in axes.spines.values():
            spine.set(linewidth=0.6, color=HAIR)
        axes.set_title(f"{number + 1}  {name}", loc="left", fontsize=10, pad=5, parse_math=False, **TEXT)
    base = HEAD + rows * (tall + GAP + LINE) + LINE
    for number, line in enumerate(lines):
        place = (GAP / wide, 1 - (base + LINE * number) / high)
        sheet.text(*place, line, fontsize=9.5, parse_math=False, **TEXT)
    buffer = BytesIO()
    sheet.savefig(buffer, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None})
    return buffer.getvalue()
