"""The figure of a study."""

from itertools import combinations

import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.report.study_figure import _collect, pareto_front, study_png, study_sheet
from pathgen.study.results_table import ResultsTable


def test_the_front_is_what_no_point_beats():
    """Against the definition, every pair compared (Pareto dominance, any textbook on multiple objectives)."""
    rng = np.random.default_rng(4)
    for _ in range(50):
        x, y = rng.integers(0, 8, (2, 25)).astype(float)
        beaten = [bool(((x <= x[i]) & (y <= y[i]) & ((x < x[i]) | (y < y[i]))).any()) for i in range(len(x))]
        assert sorted(pareto_front(x, y).tolist()) == np.flatnonzero(~np.array(beaten)).tolist()
    assert pareto_front(np.zeros(0), np.zeros(0)).tolist() == []


def test_drawn_the_same_twice_whatever_stands_in_it():
    names = ("case", "fill", "change_cost", "$odd_{", "time_s", "thickness_rms_mm", "refused")
    rng = np.random.default_rng(1)
    rows = tuple(
        (
            str(i),
            "ab"[i % 2],
            f"{rng.uniform():.4g}",
            "",
            f"{900 + i}",
            f"{rng.uniform():.3g}" if i else "",
            "",
        )
        for i in range(30)
    )
    drawn = [
        study_png(ResultsTable(names, rows), names[1:4], "time_s", "thickness_rms_mm", "A $title")
        for _ in "ab"
    ]
    assert drawn[0] == drawn[1] and drawn[0][1:4] == b"PNG"
    with pytest.raises(PathgenError, match="only 1 cases have both"):
        study_png(ResultsTable(names, rows[:2]), names[1:4], "time_s", "thickness_rms_mm")


@pytest.mark.parametrize("up", ["thickness_rms_mm", "psnr_db"])
def test_numbers_lie_over_no_point_and_no_other_number(written, up):
    """A front with near neighbours, as studies have them; of the second figure more is better."""
    x = np.linspace(1900, 2800, 60)
    y = 0.02 + 0.02 * np.linspace(1, 0, 60) ** 2
    y = y if up == "thickness_rms_mm" else 0.06 - y
    beaten = -0.0008 if up == "psnr_db" else 0.0008
    cases = [*zip(x, y, strict=True), *zip(x + 9, y + beaten, strict=True)]
    rows = tuple((str(i), "maps/a.npy", f"{a:.1f}", f"{b:.5f}") for i, (a, b) in enumerate(cases, start=101))
    sheet = study_sheet(ResultsTable(("case", "picture", "time_s", up), rows), ["picture"], "time_s", up, "")
    numbers = [(text, box) for text, box in written(sheet) if text.isdecimal() and 101 <= int(text) <= 220]
    assert 6 <= len(numbers) < 60
    assert not [(s, t) for (s, a), (t, b) in combinations(numbers, 2) if a.overlaps(b)]
    points = sheet.axes[0].transData.transform(cases)
    for text, box in numbers:
        across = np.clip(points[:, 0], box.x0, box.x1) - points[:, 0]
        along = np.clip(points[:, 1], box.y0, box.y1) - points[:, 1]
        assert np.hypot(across, along).min() > 1.0, text


def test_a_continuous_range_is_no_set_of_levels():
    names = ("case", "packing", "fill", "time_s", "thickness_rms_mm")
    rows = tuple((str(i), f"{0.95 + 0.004 * i**1.2:.6g}", "ab"[i % 2], f"{900 + i}", "0.1") for i in range(8))
    table = ResultsTable(names, rows)
    for ranges in ((), ("packing",)):
        assert _collect(table, names[1:3], "time_s", "thickness_rms_mm", ranges).ranges == set(ranges)
    one, other = (
        study_png(table, names[1:3], "time_s", "thickness_rms_mm", ranges=r) for r in ((), ("packing",))
    )
    assert one != other
