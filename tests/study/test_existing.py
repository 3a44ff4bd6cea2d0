"""What is there already: a finished table, and arrays of cases, as numpy and csv read them."""

import csv

import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.study import run
from pathgen.study.run import Stopped, run_study
from pathgen.study.study_file import load_study


@pytest.fixture
def few(folder):
    """Three cases, one of them refused."""
    text = (folder / "small.toml").read_text().partition("[factors]")[0]
    (folder / "few.toml").write_text(text + "[factors]\nwidth = [16.0, 20.0, 900.0]\n")
    return load_study(folder / "few.toml")


@pytest.fixture
def made(monkeypatch):
    """Numbers of the cases that are made in this process."""
    numbers, real = [], run.measure
    monkeypatch.setattr(run, "measure", lambda case, *rest: numbers.append(case.number) or real(case, *rest))
    return numbers


def test_a_whole_table_is_not_made_again(few, folder, made):
    first = run_study(few, folder / "a.csv", workers=0)
    data = (folder / "a.csv").read_bytes()
    assert run_study(few, folder / "a.csv", workers=0) == first
    assert made == [1, 2, 3] and (folder / "a.csv").read_bytes() == data


def test_another_studys_table_is_not_written_over(few, folder):
    run_study(few, folder / "a.csv", workers=0)
    data = (folder / "a.csv").read_bytes()
    with pytest.raises(PathgenError, match="belongs to another study.*a.csv"):
        run_study(load_study(folder / "small.toml"), folder / "a.csv", workers=0)
    assert (folder / "a.csv").read_bytes() == data
    (folder / "a.csv").write_bytes(b"".join(data.splitlines(True)[:-1]))
    with pytest.raises(PathgenError, match="rows or columns of another study"):
        run_study(few, folder / "a.csv", workers=0)


def test_arrays_are_the_maps_that_the_columns_were_worked_out_from(few, folder, made):
    maps = folder / "maps"
    table = run_study(few, folder / "a.csv", workers=0, arrays=maps)
    assert sorted(path.name for path in maps.iterdir()) == ["case-0001.npz", "case-0002.npz"]
    with np.load(maps / "case-0002.npz") as found:
        gap = (found["deposited_mm"] - found["wanted_mm"]).astype(float)
        assert (int(found["case"]), str(found["study"])) == (2, few.head.digest)
        assert found["pixel_mm"] == pytest.approx(0.3) and gap.shape[1] == 67  # of 20 mm
        assert found["light"].shape == gap.shape and 0 < found["light"].min() <= found["light"].max() < 2
    inner = gap[:, 4:-4]  # columns that touch the 1 mm at either end are left out, as in the table
    assert np.sqrt((inner**2).mean()) == pytest.approx(float(table.column("thickness_rms_mm")[1]), rel=0.02)


def test_arrays_that_are_missing_are_made_and_no_row_is(few, folder, made):
    def stop(done, total):
        if done == 1:
            raise KeyboardInterrupt

    with pytest.raises(Stopped):
        run_study(few, folder / "a.csv", workers=0, progress=stop)
    run_study(few, folder / "a.csv", workers=0, arrays=folder / "maps")
    assert made == [1, 1, 2, 3]
    data = {path.name: path.read_bytes() for path in (folder / "maps").iterdir()}
    (folder / "maps" / "case-0002.npz").write_bytes(data["case-0002.npz"][:-20])
    (folder / "maps" / "case-0001.npz").unlink()
    rows = (folder / "a.csv").read_bytes()
    run_study(few, folder / "a.csv", workers=1, arrays=folder / "maps")
    assert {path.name: path.read_bytes() for path in (folder / "maps").iterdir()} == data
    assert (folder / "a.csv").read_bytes() == rows


def test_nowhere_to_put_arrays(few, folder):
    with pytest.raises(PathgenError, match="cannot create folder"):
        run_study(few, folder / "a.csv", workers=0, arrays=folder / "wall.npy")


def test_the_lines_of_the_readme_read_a_table(few, folder, monkeypatch):
    """Lines of README.md that are Python and name `fills.csv`, run as they stand."""
    from pathlib import Path

    monkeypatch.chdir(folder)
    run_study(few, folder / "fills.csv", workers=0)
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    (lines,) = (
        block for block in text.split("```")[1::2] if block.startswith("python") and "fills.csv" in block
    )
    names = {}
    exec(lines.removeprefix("python\n"), names)
    with open("fills.csv", encoding="utf-8", newline="") as stream:
        wanted = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    assert names["rows"] == wanted and len(wanted) == 3
    assert names["time_s"][:2].tolist() == [float(row["time_s"]) for row in wanted[:2]]
    assert np.isnan(names["time_s"][2])
