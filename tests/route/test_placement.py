"""Where a panel stands, and what it says when it does not fit."""

import msgspec
import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.route import Footprint, Placement, place
from pathgen.settings import load_machine
from pathgen.settings.machine import KeepOut

BENCHTOP = load_machine("moving-table")
GANTRY = load_machine("moving-gantry")


def footprint(width, height, brim=10.0, depth=20.0):
    return Footprint((-brim, width + brim), (-brim, depth), height)


def test_a_moving_platform_carries_the_panel_along_its_length():
    assert BENCHTOP.platform_axis == "y"
    assert place(footprint(100, 100), BENCHTOP).rotation == 90
    assert place(footprint(100, 100), GANTRY).rotation == 0
    assert place(footprint(100, 100), BENCHTOP, "x").rotation == 0


def test_everything_is_inside_the_platform_and_near_its_middle():
    for machine in (BENCHTOP, GANTRY):
        for axis in ("x", "y"):
            spot = place(footprint(120, 50), machine, axis)
            u, n = np.array([-10.0, 130.0]), np.array([-10.0, 20.0])
            x, y = spot.to_machine(u, n)
            for values, (low, high) in ((x, machine.volume.x), (y, machine.volume.y)):
                assert values.min() >= low + machine.margin and values.max() <= high - machine.margin
                assert abs(values.mean() - (low + high) / 2) < 0.02


def test_the_mapping_is_no_mirror_image():
    """Seen from the viewer, u to the right, z up, n towards them: a left-handed frame at either rotation."""
    for rotation in (0, 90):
        spot = Placement(rotation, 7.0, 11.0)
        origin = np.array(spot.to_machine(np.array(0.0), np.array(0.0)))
        along = np.array(spot.to_machine(np.array(1.0), np.array(0.0))) - origin
        out = np.array(spot.to_machine(np.array(0.0), np.array(1.0))) - origin
        # A viewer at +n looking back sees +u on their right when z = n × u for the right-handed machine.
        assert out[0] * along[1] - out[1] * along[0] == pytest.approx(1.0)


def test_there_and_back():
    u, n = np.array([1.0, 2.0, 50.0]), np.array([0.0, 3.0, -1.0])
    for rotation in (0, 90):
        spot = Placement(rotation, 30.0, 40.0)
        assert np.allclose(spot.to_panel(*spot.to_machine(u, n)), (u, n))


def test_the_other_axis_is_taken_where_only_that_fits():
    narrow = msgspec.structs.replace(
        BENCHTOP, volume=msgspec.structs.replace(BENCHTOP.volume, y=(0.0, 100.0))
    )
    spot = place(footprint(150, 50), narrow)
    assert spot.rotation == 0 and "does not fit along Y" in spot.reason


def test_refusal_says_by_how_much_and_what_would_fit():
    room = BENCHTOP.volume.y[1] - 2 * BENCHTOP.margin
    widest, tallest = BENCHTOP.volume.x[1] - 2 * BENCHTOP.margin - 20, BENCHTOP.volume.z[1] - 5
    with pytest.raises(PathgenError, match=f"needs 320.0 mm .{room:.1f} mm are free") as refusal:
        place(footprint(300, 100), BENCHTOP)
    assert f"at most {widest:.1f} mm wide and {tallest:.1f} mm high" in str(refusal.value)
    place(footprint(widest, tallest), BENCHTOP)
    for width, height in ((widest + 0.1, tallest), (widest, tallest + 0.1)):
        with pytest.raises(PathgenError):
            place(footprint(width, height), BENCHTOP)


def test_keep_out_zones_are_kept_out_of():
    zone = KeepOut(x=(100.0, 120.0), y=(100.0, 120.0), why="clamp")
    machine = msgspec.structs.replace(BENCHTOP, keep_out=(zone,))
    spot = place(footprint(60, 50), machine)
    x, y = spot.to_machine(np.array([-10.0, 70.0]), np.array([-10.0, 20.0]))
    assert x.max() < 100 or x.min() > 120 or y.max() < 100 or y.min() > 120
    everywhere = msgspec.structs.replace(BENCHTOP, keep_out=(KeepOut(x=BENCHTOP.volume.x, y=(0.0, 239.0)),))
    with pytest.raises(PathgenError, match="keep-out"):
        place(footprint(60, 50), everywhere)


def test_a_panel_beside_a_keep_out_zone_moves_in_steps_of_5_mm():
    """The zone and its clearance of 2.2 mm need a move of at least 23.2 mm along Y; steps give 25 mm."""
    (left, right), (front, back) = GANTRY.volume.x, GANTRY.volume.y
    middle, half = (front + back) / 2, 15.0
    free = place(footprint(60, 50), GANTRY, "x")
    zone = KeepOut(x=(left, right), y=(front, middle + 21.0 - half), why="clamp")
    beside = place(footprint(60, 50), msgspec.structs.replace(GANTRY, keep_out=(zone,)), "x")
    assert beside.x0 == free.x0 and beside.y0 - free.y0 == pytest.approx(25.0)
