"""The example study: its page says what its table says, and its table is what the study makes."""

import csv
import runpy
from pathlib import Path

import numpy as np
import pytest

from pathgen.study.measure import measure
from pathgen.study.results_table import read_table_text
from pathgen.study.study_file import load_study

EXAMPLES = Path(__file__).parents[2] / "examples"
PAGE = (EXAMPLES / "fills_study.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def rows():
    """Read the rows with csv alone."""
    lines = (EXAMPLES / "fills_study.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_the_table_is_of_the_study_and_the_files_that_lie_here():
    study = load_study(EXAMPLES / "fills_study.toml")
    head, table = read_table_text(EXAMPLES / "fills_study.csv")
    assert (head.text, head.files) == (study.head.text, study.head.files)
    assert table.column("case") == [str(case.number) for case in study.cases]
    assert set(table.column("refused")) == {""}
    assert f"study `{head.digest}`" in PAGE


def test_the_page_is_what_its_script_makes_of_the_table():
    script = runpy.run_path(str(EXAMPLES / "study_fills.py"))
    _, table = read_table_text(EXAMPLES / "fills_study.csv")
    again = script["page"](table, load_study(EXAMPLES / "fills_study.toml"))
    # The digest knows the libraries that made the table, which need not be those of this run.
    assert [line for line in again.splitlines() if "study `" not in line] == [
        line for line in PAGE.splitlines() if "study `" not in line
    ]


def test_the_means_of_the_page_are_those_of_the_rows(rows):
    columns = {
        "wrong_share": 100, "void_share": 100, "overlap_share": 100, "bead_changes_per_layer": 1,
        "thickness_rms_mm": 1000, "time_s": 1 / 60,
    }  # fmt: skip
    lines = [line.strip("| ").split(" | ") for line in PAGE.splitlines() if line.startswith("| ")]
    lines = [line for line in lines if not set(line[0]) <= {"-", " "} and line[0].split(" ")[0] in rows[0]]
    assert len(lines) == 3 + 2 + 4 + 3
    for name, *shown in lines:
        factor, level = name.split(" ")
        here = [row for row in rows if row[factor] == level]
        for (column, scale), text in zip(columns.items(), shown, strict=True):
            mean = scale * np.mean([float(row[column]) for row in here])
            number, *_ = text.split(" ")
            assert abs(float(number) - mean) <= 0.5001 * 10.0 ** -len(number.partition(".")[2]), (
                name,
                column,
            )


def test_a_case_of_it_made_anew_has_its_row(rows):
    """To a thousandth: another version of a library may move a last digit."""
    study = load_study(EXAMPLES / "fills_study.toml")
    found = measure(study.cases[71], study.request, study.files)
    for name, text in zip(study.request.columns, found.cells, strict=True):
        hint = f"{name}: python examples/study_fills.py makes the table anew"
        assert float(text) == pytest.approx(float(rows[71][name]), rel=1e-3), hint
