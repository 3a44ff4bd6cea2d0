"""Keep-out zones, and ways that cross a box."""

import numpy as np
import pytest
import shapely
from msgspec.structs import replace

from pathgen import load_machine, load_material
from pathgen.proof.checklist import check_program
from pathgen.proof.checklist.place import crosses
from pathgen.settings.machine import KeepOut
from tests.proof.checklist.programs import numbers, program

MATERIAL = load_material("pla-white")


@pytest.mark.parametrize("box,found", [((95.0, 125.0), 304), ((20.0, 40.0), 305)])
def test_keep_out_zones(box, found):
    """A zone under the panel, and one that the head passes over on its way from home."""
    plain = load_machine("benchtop-220")
    machine = replace(plain, keep_out=(KeepOut(box, box, "clip"),))
    listed = check_program(program("benchtop-220"), machine, MATERIAL)
    assert numbers(listed) == {found} | ({305} if found == 304 else set())
    assert listed.holds == (found == 305)
    assert "clip" in next(f.limit for f in listed.findings)


def test_crossings_are_those_that_shapely_finds():
    rng = np.random.default_rng(4)
    start, end = rng.uniform(0, 10, (2, 2, 500))
    end[:, :50] = start[:, :50]
    end[0, 50:90] = start[0, 50:90]
    box = KeepOut((3.0, 5.0), (4.0, 8.0))
    lines = shapely.linestrings(np.stack([start.T, end.T], axis=1))
    wanted = shapely.intersects(lines, shapely.box(2.8, 3.8, 5.2, 8.2))
    assert (crosses(tuple(start), tuple(end), box, 0.2) == wanted).all()
    assert wanted[:50].any() and 50 < wanted.sum() < 400
