"""What holds for every coupon: it is printable, replays to its map, and its sheet comes back."""

import io

import numpy as np
import pytest

from pathgen import Job, PathgenError, replay
from pathgen.coupons import NAMES, all_coupons, find_coupon
from pathgen.coupons.definition import Specimen
from pathgen.coupons.make import lay_out_coupon
from pathgen.coupons.measurement_sheet import identify_sheet, read_filled, sheet_text
from pathgen.proof.deposit_map import inside_ends
from pathgen.proof.program_panel import Stated
from pathgen.report.coupon_drawing import coupon_figure, coupon_png
from pathgen.settings import load_machine
from tests.coupons import ladders

LONGEST = {"step-wedge": 120.0}  # minutes; all others 90
SMALLEST = "long-tube"


@pytest.fixture(scope="module")
def printed(tmp_path_factory):
    """Every coupon laid out and written once, on the smallest platform."""
    folder, made = tmp_path_factory.mktemp("coupons"), {}
    for name in NAMES:
        laid, program, result = ladders.printed(name, SMALLEST)
        path = folder / f"{name}.gcode"
        path.write_bytes(program)
        made[name] = laid, path, result
    return made


@pytest.mark.parametrize("name", NAMES)
def test_it_replays_to_its_map(name, printed):
    laid, path, result = printed[name]
    several = len(laid.platform.panels) > 1
    for number, planned in enumerate(laid.platform.panels, start=1):
        found = replay(path, stated=Stated(panel=number) if several else None)
        wanted, made = planned.panel.thickness, found.deposited.upright(len(planned.panel.thickness))
        counted = inside_ends(wanted, 1.0, planned.panel.pixel) & (wanted > 0)
        assert np.sqrt(np.mean((made - wanted)[counted] ** 2)) < 0.012
        assert found.notes == ()


@pytest.mark.parametrize("name", NAMES)
def test_it_fits_the_smallest_platform_in_time(name, printed):
    laid, _, result = printed[name]
    summary, machine = result.summary, load_machine(SMALLEST)
    facts = summary.as_dict()
    for axis, (low, high) in zip("xyz", (machine.volume.x, machine.volume.y, machine.volume.z), strict=True):
        assert low <= facts[f"deposit_{axis}_min_mm"] <= facts[f"deposit_{axis}_max_mm"] <= high
    assert summary.times.time_s / 60 < LONGEST.get(name, 90.0)
    assert summary.slowed_moves < 0.01 * summary.moves  # it is made as its sheet says


@pytest.mark.parametrize("name", [name for name in NAMES if name != "sway-fin"])
def test_it_stands_steadily(name, printed):
    for planned in printed[name][0].platform.panels:
        if planned.steady is None:  # bent, or at an angle
            continue
        assert planned.steady.limit_height() is None, planned.steady.advice_line()


@pytest.mark.parametrize("name", NAMES)
def test_a_blank_sheet_is_known_and_refused(name, printed, tmp_path):
    path = tmp_path / "sheet.csv"
    path.write_text(printed[name][0].sheet)
    found, rows = identify_sheet(path, all_coupons())
    assert found is find_coupon(name)
    assert len(rows.cells) == len(printed[name][0].specimen.steps) * printed[name][0].specimen.repeats
    path.write_text("\n".join(line for line in path.read_text().splitlines() if line[0] != "#"))
    assert identify_sheet(path, all_coupons())[0] is found  # the lines over the names may be lost


@pytest.mark.parametrize("name", NAMES)
def test_steps_lie_on_their_panels(name, printed):
    laid = printed[name][0]
    for step in laid.specimen.steps:
        panel = laid.platform.panels[step.panel].panel
        assert 0 <= step.box.left < step.box.right <= panel.width + 1e-9
        assert 0 <= step.box.bottom < step.box.top <= panel.height + 1e-9
        assert len(step.nominal) == len(laid.coupon.nominal)


@pytest.mark.parametrize("name", NAMES)
def test_its_drawing(name, printed):
    laid, _, result = printed[name]
    image = coupon_png(laid, result.summary.times.time_s / 60)
    assert image[1:4] == b"PNG"
    if name == "step-wedge":
        assert image == coupon_png(laid, result.summary.times.time_s / 60)


@pytest.mark.parametrize("name", ["lag-strip", "first-layer-tile", "sway-fin"])
def test_no_words_of_its_drawing_lie_over_others(name, printed):
    laid, _, result = printed[name]
    sheet = coupon_figure(laid, result.summary.times.time_s / 60)
    sheet.draw_without_rendering()
    boxes = [text.get_window_extent() for text in sheet.texts]
    assert len(boxes) > 2 * len(laid.specimen.steps)
    low, high = (np.array([getattr(box, end) for box in boxes]) for end in ("min", "max"))
    over = ((low[:, None] + 1 < high) & (low < high[:, None] - 1)).all(axis=2)
    assert (over == np.eye(len(boxes), dtype=bool)).all()
    assert (low >= 0).all() and (high <= sheet.bbox.max).all()


def test_the_same_coupon_gives_the_same_bytes(printed):
    stream = io.BytesIO()
    lay_out_coupon("bead-ladder", Job(machine=SMALLEST)).write(stream)
    assert stream.getvalue() == printed["bead-ladder"][1].read_bytes()


def test_an_unknown_coupon():
    with pytest.raises(PathgenError, match="did you mean 'step-wedge'"):
        find_coupon("step-wegde")


@pytest.mark.parametrize("name", NAMES)
def test_a_sheet_without_rows_is_blank(name, tmp_path):
    path = tmp_path / "sheet.csv"
    path.write_text(sheet_text(find_coupon(name), Specimen([], [])))
    known, rows = identify_sheet(path, all_coupons())
    assert known is not None and known.name == name and rows.cells == []
    with pytest.raises(PathgenError, match="the measurement sheet contains no measurements"):
        read_filled(known, rows)


# Column, first and last value, and by how much a step may differ from the one before.
LADDERS = {
    "feed-ladder": ("feed", 8.0, 60.0, 1.55),  # mm/s
    "heat-ladder": ("nozzle_temperature", 230.0, 180.0, 1.06),  # °C, the shipped white plastic's limits
    "packing-ladder": ("packing", 0.94, 1.02, 1.02),
    "overhang-ladder": ("lean", 20.0, 70.0, 1.3),  # degrees
    "step-wedge": ("thickness", 0.6, 3.4, 1.3),  # mm
    "sway-fin": ("fin_thickness", 0.8, 1.5, 1.3),  # mm
}


@pytest.mark.parametrize("name", LADDERS)
def test_a_ladder_goes_from_end_to_end_without_a_gap(name, printed):
    column, first, last, most = LADDERS[name]
    place = [each.name for each in find_coupon(name).nominal].index(column)
    steps = np.array([step.nominal[place] for step in printed[name][0].specimen.steps])
    steps = steps[np.flatnonzero(np.diff(steps, prepend=np.nan) != 0)]  # repeats aside
    assert (steps[0], steps[-1]) == pytest.approx((first, last))
    ratio = steps[1:] / steps[:-1] if last > first else steps[:-1] / steps[1:]
    assert (ratio > 1).all() and (ratio < most).all()
