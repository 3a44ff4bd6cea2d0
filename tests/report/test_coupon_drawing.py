"""The drawing of a coupon: its panels to scale, its steps in their places, the platform from above."""

from itertools import combinations

import numpy as np
import pytest
from matplotlib.patches import Polygon, Rectangle

from pathgen import Job
from pathgen.coupons.make import lay_out_coupon
from pathgen.report.coupon_drawing import coupon_figure


@pytest.fixture(scope="module", params=["first-layer-tile", "lag-strip", "sway-fin"])
def drawn(request):
    laid = lay_out_coupon(request.param, Job(machine="ngc-lab"))
    sheet = coupon_figure(laid, 84.0)
    sheet.draw_without_rendering()
    return laid, sheet


def different(laid):
    """Panels that do not look like one before them."""
    panels = [planned.panel for planned in laid.platform.panels]
    return [
        p
        for i, p in enumerate(panels)
        if not any(np.array_equal(p.thickness, q.thickness) for q in panels[:i])
    ]


def test_every_view_is_to_one_scale(drawn):
    """A flat tile is seen from above, as wide as it is and as deep as it is thick."""
    laid, sheet = drawn
    *views, _ = sheet.axes
    panels = different(laid)
    assert len(views) == len(panels)
    scales = []
    for axes, panel in zip(views, panels, strict=True):
        wide, high = panel.width, panel.height
        if laid.coupon.name == "first-layer-tile":
            high = panel.thickness.max()
        box = axes.get_window_extent()
        scales += [box.width / wide, box.height / high]
    assert scales == pytest.approx([scales[0]] * len(scales), rel=1e-3)


def test_steps_are_outlined_where_they_are(drawn):
    laid, sheet = drawn
    if laid.coupon.name == "first-layer-tile":
        assert not [p for axes in sheet.axes[:-1] for p in axes.patches]
        return
    found = [
        p.get_bbox().extents for axes in sheet.axes[:-1] for p in axes.patches if isinstance(p, Rectangle)
    ]
    wanted = [(step.box.left, step.box.bottom, step.box.right, step.box.top) for step in laid.specimen.steps]
    assert np.allclose(sorted(map(tuple, found)), sorted(wanted))


def test_sizes_stand_at_the_views(drawn):
    laid, sheet = drawn
    words = [text.get_text() for axes in sheet.axes[:-1] for text in axes.texts]
    for panel in different(laid):
        assert any(word.startswith(f"{panel.width:.4g} mm") for word in words)
        high = panel.thickness.max() if laid.coupon.name == "first-layer-tile" else panel.height
        assert f"{high:.4g} mm" in words
    many = len(laid.platform.panels) // len(different(laid))
    assert any(f"{many} of these" in word for word in words) == (many > 1)


def test_the_platform_is_seen_from_above(drawn):
    """Panels stand on the platform in machine coordinates."""
    laid, sheet = drawn
    axes, volume = sheet.axes[-1], laid.setup.machine.volume
    (whole,) = [p for p in axes.patches if isinstance(p, Rectangle)]
    assert whole.get_bbox().extents == pytest.approx((volume.x[0], volume.y[0], volume.x[1], volume.y[1]))
    shown = [p for p in axes.patches if isinstance(p, Polygon)]
    for patch, planned in zip(shown, laid.platform.panels, strict=True):
        panel = planned.panel
        u = np.tile(np.linspace(0.0, panel.width, 401), 2)
        n = np.repeat([0.0, panel.thickness.max()], 401)
        if planned.bend is not None:
            u, n = planned.bend.to_plan(u, n)
        x, y = planned.placement.to_machine(u, n)
        left, low, right, high = patch.get_path().get_extents().extents
        assert (left, right) == pytest.approx((x.min(), x.max()), abs=0.6)
        assert (low, high) == pytest.approx((y.min(), y.max()), abs=0.6)


def test_all_that_is_written_is_on_the_sheet_and_apart(drawn, written):
    boxes = written(drawn[1])
    wide, high = drawn[1].get_size_inches() * drawn[1].dpi
    assert not [t for t, b in boxes if b.x0 < 0 or b.y0 < 0 or b.x1 > wide or b.y1 > high]
    pairs = combinations([(t, b.padded(-1)) for t, b in boxes], 2)
    assert not [(s, t) for (s, a), (t, b) in pairs if a.overlaps(b)]
    assert sum(text == "step" for text, _ in boxes) >= 1


def test_the_time_is_in_hours_and_minutes(drawn):
    assert any("1 h 24 min on ngc-lab" in text.get_text() for text in drawn[1].texts)
