"""One case measured: every column, against what the commands for one panel say of the same panel."""

import io
import json

import numpy as np
import pytest

from pathgen.cli import run
from pathgen.errors import PathgenError
from pathgen.study.case_files import File
from pathgen.study.columns import COLUMNS, DEFAULT, check_columns, listing
from pathgen.study.measure import measure
from pathgen.study.study_file import Case, Request
from tests.study.conftest import wall

PLAIN = {"brim": 3.0, "rim_width": 2.0, "layer": 0.2, "pixel": 0.2}
JOB = PLAIN | {"outline": "./cut.wkt"}


def packed(array):
    stream = io.BytesIO()
    np.save(stream, array)
    return stream.getvalue()


FILES = {
    "wall.npy": File("wall.npy", packed(wall(60, 90))),
    "./cut.wkt": File("cut.wkt", b"POLYGON ((0 0, 20 0, 20 14, 0 14, 0 0))"),
}


def measured(job, columns, **request):
    case = Case(1, (), "wall.npy", job)
    found = measure(case, Request(columns, **request), FILES)
    return dict(zip(columns, found.cells, strict=True)), found.refused


def test_a_folder_to_work_in_without_room_is_no_row(monkeypatch):
    def full(picture, out, job):
        raise PathgenError("no space left on device", where=str(out))

    monkeypatch.setattr("pathgen.study.measure.make", full)
    with pytest.raises(PathgenError, match="no space for temporary files.*TMPDIR"):
        measured(PLAIN, ("layers",))


def test_every_column_is_a_figure_that_exists():
    """A full panel leaves empty only what a panel may not have."""
    cells, refused = measured(PLAIN | {"wedges": 2}, tuple(COLUMNS), layers=3)
    empty = {name for name, text in cells.items() if not text}
    assert refused == ""
    assert empty <= {"notes", "overhangs", "axis_x_time_s", "axis_y_time_s"}


def test_figures_are_those_of_the_commands_for_one_panel(tmp_path, capsys):
    for name, file in FILES.items():
        (tmp_path / name).write_bytes(file.data)
    job = JOB | {"outline": str(tmp_path / "cut.wkt")}
    options = [part for key, value in job.items() for part in (f"--{key.replace('_', '-')}", str(value))]
    out, wanted = (str(tmp_path / name) for name in ("p.gcode", "w.npy"))
    files = ["--out", out, "--thickness", wanted, "--json"]
    assert run(["panel", str(tmp_path / "wall.npy"), *files, *options]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert run(["replay", out, "--against", wanted, "--json"]) == 0
    against = json.loads(capsys.readouterr().out)
    names = ("time_s", "moves", "mass_g", "sway_mm", "bead_changes_per_layer")
    text = ("thickness_rms_mm", "lightness_rms", "layer_volume_max_share", "ssim")
    cells, refused = measured(JOB, (*names, *text, "text_time_s", "text_moves"))
    assert refused == ""
    for name in names:
        assert float(cells[name]) == pytest.approx(plan[name], rel=1e-6), name
    for name in text:
        assert float(cells[name]) == pytest.approx(against[name], rel=2e-3, abs=1e-6), name
    assert [cells["text_time_s"], cells["text_moves"]] == [str(against[k]) for k in ("time_s", "moves")]


def test_what_one_group_cannot_say_leaves_the_others_theirs():
    bent = {"brim": 3.0, "layer": 0.2, "pixel": 0.2, "bend": 60.0}
    cells, refused = measured(bent, ("layers", "thickness_rms_mm", "void_share"))
    assert cells["layers"] and cells["thickness_rms_mm"] and not cells["void_share"]
    assert "bent" in refused
    two = {"brim": 3.0, "layer": 0.2, "pixel": 0.2, "copies": 2}
    cells, refused = measured(two, ("panels", "overlap_share"))
    assert cells == {"panels": "2", "overlap_share": ""} and "the program has 2" in refused


def test_the_digest_does_not_know_where_the_files_lay():
    assert len({measured(JOB, ("digest",))[0]["digest"] for _ in range(2)}) == 1


def test_a_refusal_names_files_as_the_study_does():
    broken = FILES | {"./cut.wkt": File("cut.wkt", b"POLYGON ((0 0, 1")}
    found = measure(Case(4, (), "wall.npy", JOB), Request(("time_s",)), broken)
    assert found.cells == ("",)
    assert "./cut.wkt" in found.refused and "pathgen-" not in found.refused and "\n" not in found.refused


def test_the_listing_names_every_column_with_its_unit():
    text = listing()
    assert all(f" {name} " in text and column.unit in text for name, column in COLUMNS.items())
    assert text.count("\n + ") == len(DEFAULT) and set(DEFAULT) <= set(check_columns([], ""))
