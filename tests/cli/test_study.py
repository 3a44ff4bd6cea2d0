"""`pathgen study` from the command line."""

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from pathgen.cli import run
from tests.study.conftest import SMALL, wall


@pytest.fixture
def small(tmp_path):
    np.save(tmp_path / "wall.npy", wall())
    (tmp_path / "small.toml").write_text(SMALL)
    return tmp_path


def test_a_table_and_its_figure(small, capsys):
    out, figure = small / "a.csv", small / "a.png"
    args = ["study", str(small / "small.toml"), "--out", str(out), "--figure", str(figure), "--workers", "1"]
    assert run(args) == 0
    assert "9 cases, 0 rejected" in capsys.readouterr().out
    lines = out.read_text().splitlines()
    assert lines[0].startswith("# pathgen study ") and '#| picture = "wall.npy"' in lines
    assert lines[-9].startswith("1,tailored,0.95,")
    assert figure.read_bytes()[1:4] == b"PNG"


def test_columns_are_listed(capsys):
    assert run(["study", "--columns"]) == 0
    shown = capsys.readouterr().out
    assert "void_share" in shown and "mm³/s" in shown


@pytest.mark.parametrize(
    ("args", "code", "shown"),
    [
        ([], 2, "Missing argument 'STUDY'"),
        (["{}/small.toml"], 2, "Missing option '--out'"),
        (
            ["{}/small.toml", "--out", "{}/a.csv", "--workers", "2", "--cluster", "tcp://a:1"],
            2,
            "cannot be combined",
        ),
        (["{}/gone.toml", "--out", "{}/a.csv"], 1, "no such file"),
        (["{}/small.toml", "--out", "{}/a.csv", "--max-cases", "8"], 1, "9 cases"),
        (["{}/small.toml", "--out", "{}/wall.npy"], 2, "must end in"),
        (["{}/small.toml", "--out", "{}/small.toml"], 2, "must end in"),
        (
            ["{}/small.toml", "--out", "{}/a.csv", "--figure", "{}/a.csv"],
            2,
            "must end in",
        ),
        (["{}/small.toml", "--out", "{}/no/a.csv"], 1, "cannot write"),
        (["{}/wall.csv", "--out", "{}/a.csv"], 1, "the file is not a results table"),
    ],
)
def test_wrong_usage_is_one_line(small, args, code, shown, capsys):
    (small / "wall.csv").write_text("a,b\n1,2\n")
    assert run(["study", *(arg.format(small) for arg in args)]) == code
    text = capsys.readouterr().err
    assert text.startswith("error: ") and shown in text and text.count("\n") == 1
    assert not (small / "a.csv").exists()


def test_ctrl_c_keeps_what_is_done_and_leaves_nobody_behind(small):
    """A real process; like a terminal, interrupt its whole process group."""
    text = SMALL.replace("steps = 3", "steps = 60")
    (small / "long.toml").write_text(text)
    out, part = small / "a.csv", small / "a.csv.part"
    scratch = small / "scratch"
    scratch.mkdir()
    command = [
        sys.executable,
        "-m",
        "pathgen",
        "study",
        str(small / "long.toml"),
        "--out",
        str(out),
        "--workers",
        "1",
    ]
    process = subprocess.Popen(
        command,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=os.environ | {"TMPDIR": str(scratch)},
    )
    end = time.monotonic() + 60
    while not (part.exists() and part.read_bytes().count(b"\n") > 30) and time.monotonic() < end:
        time.sleep(0.02)
    os.killpg(process.pid, signal.SIGINT)
    shown = process.communicate(timeout=60)[1]
    assert process.returncode == 1
    assert (
        shown.startswith("error: stopped with ")
        and shown.count("\n") == 1
        and "they are saved in" in shown
        and "a.csv.part" in shown
    )
    assert part.exists() and not out.exists()
    end = time.monotonic() + 10
    while list(scratch.glob("pathgen-*")) and time.monotonic() < end:
        time.sleep(0.05)
    assert not list(scratch.glob("pathgen-*"))


@pytest.mark.slow
def test_killed_ten_times_with_workers(small):
    """Send SIGKILL to the command at random moments; no process must survive."""
    study = ["study", str(small / "small.toml"), "--workers", "2"]
    assert run([*study, "--out", str(small / "undisturbed.csv")]) == 0
    out, rng = small / "a.csv", np.random.default_rng(2)
    scratch = small / "scratch"
    scratch.mkdir()
    for _ in range(10):
        command = [sys.executable, "-m", "pathgen", *study, "--out", str(out)]
        process = subprocess.Popen(command, env=os.environ | {"TMPDIR": str(scratch)})
        try:
            process.wait(timeout=rng.uniform(0.5, 4.0))
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
    assert run([*study, "--out", str(out)]) == 0
    end = time.monotonic() + 10
    while list(scratch.glob("pathgen-*")) and time.monotonic() < end:
        time.sleep(0.05)
    assert not list(scratch.glob("pathgen-*"))
    assert out.read_bytes() == (small / "undisturbed.csv").read_bytes()
