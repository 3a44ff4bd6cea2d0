"""Keep-out zones, and ways that cross a box."""

import numpy as np
import pytest
import shapely
from msgspec.structs import replace

from pathgen import load_machine, load_material
from pathgen.proof.checklist import check_program
from pathgen.proof.checklist.positions import segments_meet_box
from pathgen.settings.machine import KeepOut
from tests.proof.checklist.programs import numbers, program

MATERIAL = load_material("pla-white")


@pytest.mark.parametrize("box,found", [((95.0, 125.0), 304), ((20.0, 40.0), 305)])
def test_keep_out_zones(box, found):
    """A zone under the panel, and one that the head passes over on its way from home."""
    plain = load_machine("moving-table")
    machine = replace(plain, keep_out=(KeepOut(box, box, why="clip"),))
    listed = check_program(program("moving-table"), machine, MATERIAL)
    assert numbers(listed) == {found} | ({305} if found == 304 else set())
    assert listed.passed == (found == 305)
    assert "clip" in next(f.limit for f in listed.findings)


@pytest.mark.parametrize(
    "height,z,found",
    [
        (None, 4.0, {304}),
        (None, 5.0, {305}),
        (None, 90.0, {305}),
        (8.0, 7.99, {304}),
        (8.0, 8.0, set()),
        (2.0, 1.9, {304}),
        (2.0, 2.1, set()),
    ],
)
@pytest.mark.parametrize("down", [False, True])
def test_heights_of_zones(height, z, found, down):
    """A way over a zone at one height, and one that comes down into it from far above and leaves again."""
    machine = replace(
        load_machine("moving-table"), keep_out=(KeepOut((50.0, 60.0), (50.0, 60.0), "clip", height),)
    )
    inside = f"G1 X55 Y55\nG1 Z{z}\nG1 Z95\n" if down else f"G1 Z{z}\nG1 X55 Y55\nG1 X100 Y100\nG1 Z95\n"
    text = f"G21\nG90\nM83\nG28\nG1 Z95 F600\nG1 X10 Y10\n{inside}G1 X200 Y55\nM84\nM2\n"
    checked = check_program(text.encode(), machine, MATERIAL)
    over = {305} if down and height is None else set()
    assert numbers(checked) & {304, 305} == found | over


def test_crossings_are_those_that_shapely_finds():
    rng = np.random.default_rng(4)
    start, end = rng.uniform(0, 10, (2, 2, 500))
    end[:, :50] = start[:, :50]
    end[0, 50:90] = start[0, 50:90]
    box = KeepOut((3.0, 5.0), (4.0, 8.0))
    lines = shapely.linestrings(np.stack([start.T, end.T], axis=1))
    wanted = shapely.intersects(lines, shapely.box(2.8, 3.8, 5.2, 8.2))
    assert (segments_meet_box(tuple(start), tuple(end), box, 0.2) == wanted).all()
    assert wanted[:50].any() and 50 < wanted.sum() < 400
