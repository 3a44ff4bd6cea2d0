"""Trials of fills, and the direction a raster chooses by them."""

import numpy as np
import pytest

from pathgen import Job, make, plan
from pathgen.plan.trial import best_direction, try_fill


def test_a_wall_of_whole_spacings_has_no_gaps():
    planned = plan(np.full((30, 400), 1.68), Job(rim_width=0, brim=0))
    trial = try_fill("tailored", planned.beads, planned.layers, planned.placement, planned.setup)
    assert trial.void < 0.01 and trial.overlap < 0.01 and trial.outside < 0.01
    # Four beads of 40 mm at 20 mm/s, and little else.
    assert trial.time == pytest.approx(4 * 40 / 20, rel=0.1)


def test_the_direction_with_least_void_is_taken_and_said():
    # 1.45 mm are 3.45 lines along: a gap of 13 %. Lines across fit any thickness.
    planned = plan(np.full((30, 420), 1.45), Job(rim_width=0, brim=0, fill="raster", direction="along"))
    direction, reason = best_direction(planned.beads, planned.layers, planned.placement, planned.setup)
    assert direction == "across"
    assert "along 13" in reason


def test_auto_is_settled_before_the_program_is_written(tmp_path):
    result = make(np.full((30, 420), 1.45), tmp_path / "a.gcode", Job(rim_width=0, brim=0, fill="raster"))
    text = (tmp_path / "a.gcode").read_text()
    assert "; job direction = across" in text
    assert any(note.startswith("raster across") for note in result.summary["notes"])
