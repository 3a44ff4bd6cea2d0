"""Options made from the fields of a job."""

import re

import click
import pytest
from click.testing import CliRunner

from pathgen.cli import run
from pathgen.cli.options import SECTIONS, ListOf, record_options
from pathgen.settings import Job, job_from


def job_of(*args):
    """Return the job of some options, parsed by a command with all job options."""
    made = []

    @click.command()
    @record_options(Job)
    def command(**options):
        made.append(job_from(options, "command line"))

    done = CliRunner().invoke(command, args, catch_exceptions=True)
    return made[0] if made else done


@pytest.mark.parametrize(
    ("text", "expected"), [("0.2,0.8", (0.2, 0.8)), (" 0.5 ", (0.5,)), ("0, 1", (0.0, 1.0)), ("", ())]
)
def test_a_list_is_written_with_commas(text, expected):
    assert job_of("--eyelet-at", text).eyelet_at == expected
    assert job_of().eyelet_at is None


def test_a_list_of_what_is_no_number_is_wrong_usage():
    done = job_of("--eyelet-at", "0.2,x")
    assert done.exit_code == 2 and "'x' is not a valid float" in done.output
    assert ListOf(click.INT)(["3", 4]) == [3, 4]


@pytest.mark.parametrize(("text", "expected"), [("0", 0), ("90", 90), ("270", 270), ("auto", "auto")])
def test_a_choice_of_numbers_and_words(text, expected):
    assert job_of("--turn", text).turn == expected
    assert job_of("--turn", "91").exit_code == 2


def test_help_shows_what_a_list_and_a_choice_take():
    @click.command()
    @record_options(Job)
    def command(**options):
        pass

    shown = CliRunner().invoke(command, ["--help"]).output
    assert "--eyelet-at LIST" in shown and "[0|90|180|270|auto]" in shown
    assert all(f"--{name.replace('_', '-')}" in shown for name in Job.__struct_fields__)


def test_every_key_of_a_job_stands_under_one_heading_of_the_help(capsys):
    listed = [name for names in SECTIONS.values() for name in names.split()]
    others = {"out", "preview", "report", "job_file", "thickness", "moves", "json", "schema", "help"}
    assert len(listed) == len(set(listed)) and set(listed) == {*Job.__struct_fields__, *others}
    assert run(["panel", "--help"]) == 0
    shown = capsys.readouterr().out
    heads = [line for line in shown.splitlines() if line.endswith(":") and not line.startswith(" ")]
    assert heads == [f"{title}:" for title in SECTIONS]
    shown_options = re.findall(r"^  (?:-h, )?(--[a-z-]+)", shown, re.M)
    assert len(shown_options) == len(set(shown_options)) == len(listed)
    first = shown_options[: len(SECTIONS["Options"].split())]
    assert len(first) <= 14 and {"--out", "--width", "--machine", "--report"} <= set(first)
    assert "[()]" not in shown
