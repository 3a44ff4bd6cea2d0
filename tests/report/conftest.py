"""What tests of figures share: finding all that is written on a sheet."""

from __future__ import annotations

import pytest
from matplotlib.text import Text


def _written(sheet):
    sheet.canvas.draw()
    renderer = sheet.canvas.get_renderer()
    unseen = set()  # figures at ticks that lie beyond their axes' ends
    for axis in (axis for axes in sheet.axes for axis in (axes.xaxis, axes.yaxis)):
        low, high = sorted(axis.get_view_interval())
        slack = 1e-9 * (high - low)
        beyond = [t for t in axis.get_major_ticks() if not low - slack <= t.get_loc() <= high + slack]
        unseen |= {label for tick in beyond for label in (tick.label1, tick.label2)}
    seen = [t for t in sheet.findobj(Text) if t.get_visible() and t.get_text().strip() and t not in unseen]
    # The box of the words alone, without the line that leads from a number to its place.
    return [(t.get_text(), Text.get_window_extent(t, renderer)) for t in seen]


@pytest.fixture(scope="session")
def written():
    """Give all that is written on a sheet, with the boxes it takes in dots from the lower left."""
    return _written
