"""One small golden program a dialect: a change of the text must be meant.

After a change that is meant: ``pytest tests/gcode/test_golden.py --update-golden``, and read the diff.
"""

from pathlib import Path

import numpy as np
import pytest

from pathgen import Job, make
from pathgen.gcode import comments
from pathgen.program import facts, summary
from pathgen.settings import machine_names

GOLDEN = Path(__file__).parent / "golden"


@pytest.mark.parametrize("machine", machine_names())
def test_golden(machine, tmp_path, request, monkeypatch):
    monkeypatch.setattr(comments, "package_version", lambda: "0")
    for module in (summary, facts):  # the digest changes with every key that a job gets
        monkeypatch.setattr(module, "digest", lambda setup: 16 * "0")
    wall = np.array([[1.0, 1.0, 2.0, 2.0, 1.5, 1.0, 1.0, 1.0], [1.0, 1.2, 2.2, 2.0, 1.5, 1.0, 0.9, 0.9]])
    job = Job(machine=machine, pixel=0.5, layer=0.25, first_layer=0.25, rim_width=0.5, brim=1.0)
    made = tmp_path / "panel.gcode"
    make(wall, made, job)
    kept = GOLDEN / f"{machine}.ngc"
    if request.config.getoption("--update-golden"):
        kept.write_bytes(made.read_bytes())
    assert made.read_text() == kept.read_text()
