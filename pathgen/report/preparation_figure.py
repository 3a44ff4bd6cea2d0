"""Figure of a prepared picture, with all stages side by side."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pathgen.report.canvas import Box, Sheet

ACROSS = 4  # pictures per row
WIDE = 420  # dots per picture
GAP, HEAD, LINE = 36, 70, 24


def preparation_png(stages: list[tuple[str, NDArray[np.float32]]], title: str, lines: list[str]) -> bytes:
    """Draw all stages of a picture's preparation as PNG, with advice below.

    Parameters
    ----------
    stages : list of (name, (rows, cols) float32)
        Encoded grey, 0 to 1; at least one stage.
    title : str
    lines : list of str

    Returns
    -------
    bytes
        PNG; the same stages give the same bytes.

    Examples
    --------
    >>> preparation_png([("grey", np.full((20, 30), 0.5, np.float32))], "a photo", ["nothing to do"])[1:4]
    b'PNG'
    """
    rows = -(-len(stages) // ACROSS)
    across = min(ACROSS, len(stages))
    tall = max(round(WIDE * codes.shape[0] / codes.shape[1]) for _, codes in stages)
    wide = max(GAP + across * (WIDE + GAP), 900)
    high = HEAD + rows * (tall + GAP + LINE) + LINE * (len(lines) + 1) + GAP
    sheet = Sheet(high, wide)
    sheet.draw_text(GAP, 42, title, 14, bold=True)
    for number, (name, codes) in enumerate(stages):
        row, col = divmod(number, ACROSS)
        left, top = GAP + col * (WIDE + GAP), HEAD + row * (tall + GAP + LINE) + LINE
        box = Box(left, top, WIDE, round(WIDE * codes.shape[0] / codes.shape[1]))
        axes = sheet.add_box(box, f"{number + 1}  {name}")
        axes.imshow(codes, cmap="gray", vmin=0, vmax=1, interpolation="antialiased", aspect="auto")
        axes.set(xticks=[], yticks=[])
    base = HEAD + rows * (tall + GAP + LINE) + LINE
    for number, line in enumerate(lines):
        sheet.draw_text(GAP, base + LINE * number, line, 9.5)
    return sheet.png()
