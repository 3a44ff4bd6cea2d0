"""The band of what keeps a panel standing: what it says, and that its height is what it says takes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pathgen.panel.overhang import overhangs
from pathgen.panel.steadiness import Conditions, compute_steadiness, measure_sections
from pathgen.report.canvas import Sheet
from pathgen.report.stability_band import BENT, HEAD, Stability, band_high, draw_band
from pathgen.route import Footprint
from pathgen.route.axis import score_axes
from pathgen.settings import load_machine

LEFTS, TOP = (76, 688, 1216), 60
PLATE = measure_sections(np.full((120, 60), 2.0), 0.5)
AREA = Footprint((-5.0, 90.0), (-5.0, 9.0), 50.0)
LEDGE = np.full((20, 30), 1.0)
LEDGE[5, 10:14] = 4.0


def choice(time=None):
    return score_axes(load_machine("moving-table"), AREA, {0: 0.022, 90: 0.017}, 0.42, time)


def standing(**changes):
    given = {
        "steady": compute_steadiness(PLATE, Conditions(3.5, 1240.0)),
        "overhang": overhangs(LEDGE, 0.5),
        "axes": choice(),
        "reason": "along Y, as asked",
        "supports": ("wedges: 12 tabs to break",),
        "wall": LEDGE.size,
    }
    return Stability(**(given | changes))


@pytest.fixture(scope="module")
def said(written):
    """What the band says of something, in reading order."""

    def words(given):
        sheet = Sheet(TOP + band_high(given) + 40)
        draw_band(sheet, LEFTS, TOP, given)
        boxes = written(sheet)
        high = sheet.get_size_inches()[1] * sheet.dpi
        assert max(high - box.y0 for _, box in boxes) <= TOP + band_high(given) + 20
        return [text for text, _ in sorted(boxes, key=lambda item: (-round(item[1].y1, 0), item[1].x0))]

    return words


def test_the_worst_places_are_listed(said):
    words = said(standing())
    (place,) = standing().overhang.worst
    assert (place.z, place.u, place.excess) == (7.0, (5.0, 7.0), 2.5)
    assert {"1", "7.0", "5.0 to 7.0", "the face", "2.50"} <= set(words)
    assert "unsupported overhang of the face" in words and "unsupported overhang of the outline" not in words


def test_the_share_that_leans_is_of_the_wall(said):
    # 4 of 600 pixels, and 4 of 400.
    assert any(word.startswith("0.67 % of the wall") for word in said(standing()))
    assert any(word.startswith("1.00 % of the wall") for word in said(standing(wall=400)))


def test_one_line_where_nothing_leans(said):
    words = said(standing(overhang=overhangs(np.ones((5, 5)), 0.5)))
    assert "No unsupported overhangs." in words
    assert not {"1", "u, mm", "unsupported overhang of the face"} & set(words)
    assert "Overhangs were not checked." in said(standing(overhang=None))


def test_a_bent_panel_has_one_line_and_no_curve(said):
    words = said(standing(steady=None))
    assert BENT in words
    assert "First frequency" not in words and "sway, mm" not in words


def test_the_advice_is_written_out(said):
    given = standing()
    advice = given.steady.advice_line()
    assert (advice[0].upper() + advice[1:]) in " ".join(said(given))


def test_the_axes_are_a_table_of_their_figures(said):
    words = said(standing())
    x, y = choice().rows
    assert [word for word in words if word in ("along X", "along Y")] == ["along X", "along Y"]
    for row in (x, y):
        assert f"{row.sway:.3f} mm" in words and f"{row.total:.2f}" in words
        assert f"{row.acceleration:g} mm/s²" in words
    assert words.index("yes") < words.index("no")  # carried along X, not along Y
    assert "time" not in words
    assert {"time", "8 h 20 min"} <= set(said(standing(axes=choice({0: 30000.0, 90: 40000.0}))))


@pytest.mark.parametrize(("rotation", "chosen"), [(0, "along X"), (90, "along Y")])
def test_the_chosen_axis_is_bold_and_framed(rotation, chosen):
    given = standing(axes=replace(choice(), rotation=rotation))
    sheet = Sheet(TOP + band_high(given) + 40)
    draw_band(sheet, LEFTS, TOP, given)
    sheet.canvas.draw()
    bold = [t for t in sheet.texts if t.get_weight() == "bold" and t.get_text().startswith("along")]
    assert [t.get_text() for t in bold] == [chosen]
    (frame,) = [patch for patch in sheet.artists if patch.__class__.__name__ == "Rectangle"]
    box = frame.get_window_extent(sheet.canvas.get_renderer())
    inside = [t.get_text() for t in sheet.texts if box.contains(*t.get_window_extent().min)]
    assert inside[0] == chosen and len(inside) == 7  # and six figures
    assert (box.width, box.height) == pytest.approx((120, 20 * 7 + 12), abs=0.1)


def test_a_rule_stands_above_the_heading():
    sheet = Sheet(TOP + band_high(standing()) + 40)
    draw_band(sheet, LEFTS, TOP, standing())
    (rule,) = [artist for artist in sheet.artists if artist.__class__.__name__ == "Line2D"]
    (heading,) = [text for text in sheet.texts if text.get_text() == "Stability during the print"]
    high = sheet.get_size_inches()[1] * sheet.dpi
    assert (np.array(rule.get_ydata()) - heading.get_position()[1]) * high == pytest.approx([34, 34])
    assert heading.get_position()[0] * 1800 == pytest.approx(LEFTS[0])


def test_an_axis_that_does_not_fit_has_no_cost(said):
    rows = choice().rows
    spoilt = replace(choice(), rows=(replace(rows[0], fits=False, clear=False), rows[1]))
    assert "–" in said(standing(axes=spoilt))
    crowded = replace(choice(), rows=(replace(rows[0], clear=False), rows[1]))
    assert "no free place" in said(standing(axes=crowded))


def test_without_a_choice_the_reason_stands_there(said):
    assert "The panel stands along Y, as asked." in said(standing(axes=None))
    assert "Orientation" not in said(standing(axes=None, reason=""))


def test_height_follows_from_what_there_is_to_say():
    least = Stability(None, None, None)
    assert HEAD < band_high(least) < band_high(standing(steady=None)) < band_high(standing())
    more = standing(steady=None, axes=None, supports=tuple("abcdefgh"))
    assert band_high(more) > band_high(replace(more, supports=("a",)))
