"""The same programs through pygcode (its own parser and its own machine state): the same motions.

pygcode 0.2.1 knows no filament letter E and no heater words: E words and whole M83 and M104 to M109 lines are
taken out of what it is given, and filament is not compared. It reads no "+", so that is dropped. It keeps an
arc as one motion, so of arcs the end points are compared. Its G92 takes no words: the test sets the offset,
and pygcode's machine works with it. Blanks are taken out and letters raised beforehand, as RS-274 (NISTIR
6556, 3.3.5) says that neither means anything.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from pygcode import GCodeArcMove, GCodeLinearMove, GCodeRapidMove, Line, Machine

from pathgen.gcode.read import read_program
from pathgen.settings.machine import Dialect

DIALECT = Dialect(
    extruder="E",
    filament_mode="relative",
    filament_unit="mm",
    comment="semicolon",
    heaters="program",
    start="",
    finish="",
    own_words=("E", "M83", "M104", "M106", "M107", "M109"),
)

CORPUS = {
    "modal": "G21\nG90\nG1 X10 Y5 F600\nX12\nY-3.5\nG0 Z.5\nX0 Y0\nG1 X.001\nM2\n",
    "blanks and case": "g21 g90\ng0x +0. 12 34y 7\nG 1 X 3 F 6 0\nx\t4\ny 1 .5\nM2\n",
    "relative": "G21\nG91\nG1 X1.5 F60\nX1.5 Y-2\nZ0.2\nG90\nX1\nG91\nX-.25\nM2\n",
    "comments": "(start) G21\nG90 (one) (two)\nG1 X5 F60 ; X9\n; X9 Y9\nY2 (X7) Z1\nX3(y)Y4\nM2 ; end\n",
    "line numbers": "N1 G21 G90\nN2 G1 X5 F60\nN3 X6\nN99999 Y6\nN00007 G0 Z3\nM2\n",
    "resets": "G21\nG90\nG1 X10 Y10 F60\nG92 X0\nX5\nG92 X0 Y0 Z0\nX1 Y1 Z1\nG92.1\nX4 Y4 Z4\nM2\n",
    "zeros": "G021\nG090\nG001 X007.50 F0060\nG01 X-0 Y-.0\nX00.5 Y5.\nM02\n",
    "several in a line": "G17 G21 G40 G49 G54 G80 G90 G94\nG1 F60 X1 Y2 Z3\nG91 G0 X1\nG90 G1 X8\nM2\n",
    "arcs": "G21\nG90\nG1 X10 Y0 F60\nG3 X0 Y10 I-10 J0\nG2 X10 Y0 R10\nG3 X20 Y10 R10 Z2\nG1 X0\nM2\n",
    "heaters and filament": "G21\nG90\nM83\nM104 S200\nG28\nM109 S200\nG1 Z.3 F600\nG1 X10 E.5 F1200\n"
    "X20 E.5\nG1 E-2 F2400\nG0 X50 Y50\nG1 E2\nM106 S128\nX60 Y50.125 E.25\nM107\nM104 S0\nM2\n",
    "dwell": "G21\nG90\nG1 X1 F60\nG4 P0.5\nX2\nG4 P1\nM0\nX3\nM30\n",
}


def for_pygcode(line: str) -> str:
    """Take out what pygcode does not know, and what RS-274 says means nothing."""
    code = re.sub(r"\([^)]*\)", " ", line.partition(";")[0])
    code = re.sub(r"[ \t]", "", code).upper().replace("+", "")
    code = re.sub(r"^N\d+", "", code)
    if re.match(r"M(104|106|107|109|83)(?!\d)", code):
        return ""
    code = re.sub(r"E-?[\d.]+", "", code)
    if re.fullmatch(r"G0*1(F[\d.]+)?", code):  # nothing is left but the filament that was taken out
        return ""
    return re.sub(r"([A-Z])", r" \1", code).strip()


def motions_of_pygcode(text: str) -> np.ndarray:
    """Machine positions after every motion, (N, 3) mm."""
    machine, places = Machine(), []
    for line in text.splitlines():
        code = for_pygcode(line)
        if code == "G28":
            assert not places, "homing is only at the start, where the head is at 0 already"
            continue
        if code.startswith("G92"):
            shifted = dict.fromkeys("XYZ", 0.0) if code == "G92.1" else {}
            for word in code.split()[1:]:
                shifted[word[0]] = getattr(machine.abs_pos, word[0]) - float(word[1:])
            machine.state.offset.update(**shifted)
            continue
        block = Line(code).block
        gcodes = machine.block_modal_gcodes(block)
        machine.process_block(block)
        if any(isinstance(g, (GCodeLinearMove, GCodeRapidMove, GCodeArcMove)) for g in gcodes):
            at = machine.abs_pos
            places.append((at.X, at.Y, at.Z))
    return np.array(places, float).reshape(-1, 3)


@pytest.mark.parametrize("name", CORPUS)
def test_motions_are_those_pygcode_sees(name):
    text = CORPUS[name]
    program = read_program(text.encode(), DIALECT, 1.75)
    assert program.ended
    moves = program.moves
    last = np.flatnonzero(np.diff(program.line, append=-1))  # of an arc's chords the last
    moved = last[~np.isin(moves.kind[last], (2, 3))]  # filament alone is no motion to pygcode
    here = np.stack([moves.x, moves.y, moves.z], axis=1)[moved]
    there = motions_of_pygcode(text)
    assert len(there) >= 3
    np.testing.assert_allclose(here, there, atol=1e-9)
