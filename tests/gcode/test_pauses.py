"""Dwells and homing, told from a program's lines."""

import pytest

from pathgen.errors import PathgenError
from pathgen.gcode.pauses import Pauses, sum_pauses
from pathgen.settings import load_machine

# NISTIR 6556, 3.5.4: "G4 P…", P the seconds. Beyond RS-274, P in milliseconds and S in seconds is common
# practice of this trade.
CASES = [
    ("ngc-lab", ["G4 P0.5", "G4 P2 (settle)", "G1 X4 F40"], 2.5, ()),
    ("moving-table", ["G28", "G4 S3", "G28 X0", "M104 S200", "g04 p250 ; settle"], 3.25, (0, 2)),
    ("moving-table", ["G4 P1 S7"], 7.0, ()),
    ("long-tube", ["; G4 P9", "G92 E0", "M2"], 0.0, ()),
    ("moving-gantry", [], 0.0, ()),
]


@pytest.mark.parametrize(("name", "lines", "dwelling", "homed"), CASES)
def test_what_stands_still(name, lines, dwelling, homed):
    assert sum_pauses(lines, load_machine(name).dialect) == Pauses(dwelling, homed)


def test_a_faulty_line_is_refused_with_its_number():
    with pytest.raises(PathgenError, match="line 2"):
        sum_pauses(["G28", "G4 P1.2.3"], load_machine("ngc-lab").dialect)
