"""`pathgen picture` from the command line."""

import numpy as np
import pytest
from PIL import Image

from pathgen.cli import run
from pathgen.picture import encode_srgb, load_picture
from tests.picture.portraits import portrait


@pytest.fixture
def photo(tmp_path):
    rgb, _ = portrait(4)
    path = tmp_path / "photo.png"
    Image.fromarray(np.rint(255 * encode_srgb(rgb)).astype(np.uint8)).save(path)
    return path


def test_a_photograph_is_prepared_and_advised_on(photo, tmp_path, capsys):
    out, stages = tmp_path / "out.png", tmp_path / "stages.png"
    asked = ["--isolate", "auto", "--contrast", "1.2", "--levels-low", "1", "--trim", "5"]
    assert run(["picture", str(photo), "--out", str(out), "--stages", str(stages), *asked]) == 0
    shown = capsys.readouterr().out
    for word in ("clipped:", "tones:", "detail:", "size:", "backdrop:", "subject detected"):
        assert word in shown
    made = load_picture(out).luminance
    assert made[0, 0] == pytest.approx(1.0) and made.min() < 0.05
    assert stages.read_bytes().startswith(b"\x89PNG")
    first = stages.read_bytes()
    assert run(["picture", str(photo), "--out", str(out), "--stages", str(stages), *asked]) == 0
    assert stages.read_bytes() == first
    assert run(["panel", str(out), "--out", str(tmp_path / "p.gcode"), "--width", "20", "--brim", "2"]) == 0


@pytest.mark.parametrize(
    ("extra", "code"),
    [
        (["--isolate", "alpha"], 1),
        (["--gamma", "0"], 1),
        (["--levels-low", "90", "--levels-high", "10"], 1),
        (["--isolate", "missing.png"], 1),
        (["--backdrop-tolerance", "0"], 1),
        (["--mirror", "maybe"], 2),
        (["--width", "0"], 2),
    ],
)
def test_bad_input_gets_one_line_and_no_file(photo, tmp_path, capsys, extra, code):
    out = tmp_path / "out.png"
    assert run(["picture", str(photo), "--out", str(out), *extra]) == code
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and "Traceback" not in error and not out.exists()
