"""A time is kept, and what is chosen for it is as good as what could be found by trying."""

import numpy as np
import pytest
from skimage import data

from pathgen import Job, PathgenError, make, make_several
from pathgen.cli import run
from pathgen.program import within
from pathgen.program.within import choose, seconds_from
from pathgen.settings import settle
from tests.matrix import some


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    from PIL import Image

    path = tmp_path_factory.mktemp("within") / "camera.png"
    Image.fromarray(data.camera()[:256, 128:384]).save(path)
    return path


@pytest.fixture
def few(monkeypatch):
    """Fewer layer heights to try, where the choice among all of them is not checked."""
    monkeypatch.setattr(within, "LIKE", (0.1, 0.2, 0.3))


SMALL = {"width": 18.0, "brim": 2.0, "pixel": 0.2}


@pytest.mark.parametrize("minutes", some([11, 22], 11))
def test_the_time_is_kept_and_used(minutes, photo, tmp_path):
    result = make(photo, tmp_path / "a.gcode", Job(**SMALL, within=f"{minutes}min"))
    assert 0.75 * 60 * minutes < result.summary.times.time_s <= 60 * minutes
    assert result.summary.notes[0].startswith("the print takes ")
    assert "job within" not in (tmp_path / "a.gcode").read_text()  # what was chosen stands in its place


def test_more_time_shows_the_picture_better(photo, few):
    errors = []
    for minutes in (10, 18):
        _, note = choose(photo, Job(**SMALL), 60.0 * minutes)
        errors.append(float(note.split("expected error ")[1].split()[0]))
    assert errors[0] > errors[1]


def test_what_cannot_be_done_in_time_is_refused_with_the_least(photo, few, tmp_path):
    with pytest.raises(PathgenError, match=r"cannot be printed in 5 min; the shortest time is \d+ min"):
        make(photo, tmp_path / "a.gcode", Job(**SMALL, within="5min"))
    assert not (tmp_path / "a.gcode").exists()


def test_only_one_panel_has_a_time(photo, tmp_path):
    panels = [(photo, Job(**SMALL, within="1h")), (photo, Job(**SMALL))]
    with pytest.raises(PathgenError, match="within is set, but the job has several panels"):
        make_several(panels, tmp_path / "a.gcode")


def test_from_the_command_line(photo, few, tmp_path, capsys):
    size = "--width 18 --brim 2 --pixel 0.2".split()
    args = ["panel", str(photo), "--out", str(tmp_path / "a.gcode"), *size]
    assert run([*args, "--within", "0h15min"]) == 0
    assert "note: the print takes " in capsys.readouterr().out
    assert run([*args, "--within", "soon"]) == 1
    assert "a duration such as 6h" in capsys.readouterr().err


@pytest.mark.parametrize("text, seconds", [("6h", 21600), ("1.5 h", 5400), ("2h30min", 9000), ("45m", 2700)])
def test_times_as_people_write_them(text, seconds):
    assert seconds_from(text) == seconds


@pytest.mark.parametrize("text", ["", "6", "h", "-2h", "2 days"])
def test_what_is_no_time(text):
    with pytest.raises(PathgenError, match="a duration such as 6h"):
        seconds_from(text)


def test_levers_are_all_pairs_that_the_nozzle_and_the_widest_bead_allow():
    """A layer has at most 3/4 of the nozzle diameter (common practice)."""
    setup = settle(Job())
    assert setup.machine.hot_end.nozzle_diameter == 0.4
    pairs = within._levers(setup)
    assert pairs == [(like, width) for like in within.LIKE for width in (0.42, 0.5, 0.58)]
    narrow = within._levers(settle(Job(spacing_max=0.54)))
    assert {width for _, width in narrow} == {0.42, 0.5}


def test_levers_stay_within_the_machines_limits(photo, few):
    from msgspec.structs import replace

    from pathgen import load_machine

    plain = load_machine("moving-table")
    small = replace(plain, hot_end=replace(plain.hot_end, melt_rate=1.0))
    job, _ = choose(photo, Job(**SMALL), 3600.0, small)
    assert job.feed * job.spacing * 0.3 <= 1.0 * 1.3
    assert np.isfinite(job.feed) and job.spacing <= 1.55 * 0.4
