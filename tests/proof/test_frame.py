"""The grid and where it lies: from a program's header, and refused where it is none."""

from __future__ import annotations

import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.gcode.read import Program, read_program
from pathgen.panel.bend import Bend
from pathgen.proof import Frame
from pathgen.proof.header import Fact
from pathgen.settings import load_machine

HEADER = {
    "panel width": "46.000 mm",
    "panel rotation": "90",
    "panel origin x": "105.500 mm",
    "panel origin y": "87.000 mm",
    "job pixel": "0.1",
}
PLAIN = {"rotation": 0, "x0": 0.0, "y0": 0.0, "width": 1.0, "pixel": 0.1, "tops": np.array([0.2])}


def program_with(header: dict[str, str]) -> Program:
    lines = [f"({key} = {value})" for key, value in header.items()]
    lines += [
        "(layer 1/2 top 0.200 mm height 0.200 mm)",
        "G1 X1 F60",
        "(layer 2/2 top 0.3 mm height 0.1 mm)",
        "M2",
    ]
    return read_program("\n".join([*lines, ""]).encode(), load_machine("ngc-lab").dialect, 1.75)


def test_a_frame_from_a_header():
    frame = Frame.of(program_with(HEADER))
    assert (frame.rotation, frame.x0, frame.y0, frame.width, frame.pixel) == (90, 105.5, 87.0, 46.0, 0.1)
    np.testing.assert_array_equal(frame.tops, [0.2, 0.3])
    np.testing.assert_allclose(frame.heights, [0.2, 0.1])
    assert len(frame.borders) == 461
    assert frame.borders[-1] == 46.0


@pytest.mark.parametrize("key", HEADER)
def test_a_header_that_does_not_say(key):
    with pytest.raises(PathgenError, match=f"'{key}' is missing"):
        Frame.of(program_with({k: v for k, v in HEADER.items() if k != key}))
    for value in ("", "wide", "nan mm"):
        with pytest.raises(PathgenError, match=f"{key} = {value}"):
            Frame.of(program_with(HEADER | {key: value}))


def test_facts_are_numbers_without_their_unit():
    assert Fact("mass").number("4.93 g") == 4.93
    assert Fact("time").number("5203 s [1 h 26 min]") == 5203.0


def test_u_runs_to_the_viewers_right():
    """Rotation 0 looks from low y, rotation 90 from high x: u is x, and y."""
    x, y = np.array([51.0]), np.array([23.0])
    assert Frame(**PLAIN | {"x0": 50.0}).u(x, y) == 1.0
    assert Frame(**PLAIN | {"rotation": 90, "y0": 20.0}).u(x, y) == 3.0


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"rotation": 360}, "rotation is 360"),
        ({"width": 0.0}, "width is 0.0 mm"),
        ({"pixel": -0.1}, "pixel -0.1 mm"),
        ({"pixel": 1e-9}, "at most 100000 columns"),
        ({"tops": np.array([0.2, 0.2])}, "do not increase"),
        ({"tops": np.array([0.2, np.nan])}, "do not increase"),
        ({"tops": np.array([])}, "do not increase"),
    ],
)
def test_frames_that_are_none(change, why):
    with pytest.raises(PathgenError, match=why):
        Frame(**PLAIN | change)


RING = Bend(width=100.0, degrees=360.0)


@pytest.mark.parametrize(
    ("start", "end", "spans"),
    [
        (99.0, 2.0, (-1.0, 2.0)),  # onto the seam from its left: the end nearer to the seam is moved round
        (98.0, 0.5, (98.0, 100.5)),
        (2.0, 99.5, (2.0, -0.5)),
        (0.5, 97.0, (100.5, 97.0)),
        (30.0, 70.0, (30.0, 70.0)),  # under half of the ring: no crossing
    ],
)
def test_a_move_over_the_seam_of_a_ring_is_one_piece(start, end, spans):
    frame = Frame(**PLAIN | {"width": 100.0, "bend": RING})
    places = [RING.to_plan(np.array([u]), np.array([0.0])) for u in (start, end)]
    # At rotation 0 machine y falls as n grows.
    found = frame.spans(*[(p, -q) for p, q in places])
    assert [float(u[0]) for u in found] == pytest.approx(spans)
