"""Trials of fills, and the direction a raster chooses by them."""

import numpy as np
import pytest

from pathgen import Job, make, plan_panel
from pathgen.plan.trial import FeedTrial, best_direction, try_fill


def test_a_wall_of_whole_spacings_has_no_gaps():
    planned = plan_panel(np.full((30, 400), 1.68), Job(rim_width=0, brim=0))
    trial = try_fill("tailored", planned.beads, planned.layers, planned.placement, planned.setup)
    assert trial.void < 0.01 and trial.overlap < 0.01 and trial.outside < 0.01
    # Four beads of 40 mm at 20 mm/s, and little else.
    assert trial.time == pytest.approx(4 * 40 / 20, rel=0.1)


def test_the_direction_with_least_void_is_taken_and_said():
    # 1.45 mm are 3.45 lines along: a gap of 13 %. Lines across fit any thickness.
    planned = plan_panel(np.full((30, 420), 1.45), Job(rim_width=0, brim=0, fill="raster", direction="along"))
    direction, reason = best_direction(planned.beads, planned.layers, planned.placement, planned.setup)
    assert direction == "across"
    assert "along 13" in reason


def test_auto_is_settled_before_the_program_is_written(tmp_path):
    result = make(np.full((30, 420), 1.45), tmp_path / "a.gcode", Job(rim_width=0, brim=0, fill="raster"))
    text = (tmp_path / "a.gcode").read_text()
    assert "; job direction = across" in text
    assert any(note.startswith("raster across") for note in result.summary.notes)


def test_a_feed_trial_times_beads_and_finds_the_wall():
    """Four beads of 40 mm in each layer: length over feed, with little else, and the wall as it was asked."""
    planned = plan_panel(np.full((60, 400), 1.68), Job(rim_width=0, brim=0))
    trial, heaters = FeedTrial(planned), planned.setup.machine.heaters
    before = heaters.warm_up + heaters.homing
    for feed in (10.0, 20.0, 40.0):
        beads = len(planned.layers) * 4 * 40 / feed
        assert trial.seconds(feed) - before == pytest.approx(beads, rel=0.15)
    assert trial.error(20.0) < 0.3  # L*; a just noticeable difference is about 1 (CIE 1976)


def test_a_feed_trial_compares_each_layer_with_its_own_part_of_the_wall():
    """Layers from thin below to thick above: that of a neighbour would be wrong by many L*."""
    ramp = np.repeat(np.linspace(2.8, 1.0, 60)[:, None], 400, axis=1)
    trial = FeedTrial(plan_panel(ramp, Job(rim_width=0, brim=0)))
    assert trial.error(20.0) < 1.0
