"""`pathgen machines`."""

import tomllib

from pathgen.cli import run
from pathgen.settings import machine_names, material_names


def test_lists_every_profile(capsys):
    assert run(["machines"]) == 0
    shown = capsys.readouterr().out
    assert all(name in shown for name in (*machine_names(), *material_names()))


def test_shows_a_profile_that_can_be_used_again(tmp_path, capsys):
    assert run(["machines", "moving-gantry"]) == 0
    text = capsys.readouterr().out
    assert tomllib.loads(text)["name"] == "moving-gantry"


def test_an_unknown_name_is_rejected_with_a_suggestion(capsys):
    assert run(["machines", "moving-gantr"]) == 1
    assert "did you mean 'moving-gantry'" in capsys.readouterr().err
