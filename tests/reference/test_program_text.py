"""Program text against things outside the project: pygcode and the rules of NISTIR 6556.

- pygcode: a general parser and simulator of RS-274.
- NISTIR 6556: Kramer, Proctor, Messina, "The NIST RS274NGC Interpreter - Version 3", 17 Aug 2000; its
  sections are named beside each rule.
"""

import io
import re

import numpy as np
import pygcode
import pytest

from pathgen.gcode import ProgramWriter
from pathgen.motion.moves import Kind, Moves
from pathgen.proof.header import Totals
from pathgen.settings import load_machine, machine_names

LAYERS = 3
VALUES = {"nozzle": 210.0, "platform": 60.0, "park_x": 5.0, "park_y": 190.0, "clear_z": 42.25}
FACTS = [("machine", "a machine (ours)"), ("source", "Hafen, Pier 7 (1912).png"), ("width", "100.0")]

# Table 3: letters a word may begin with.
LETTERS = set("ABCDFGHIJKLMNPQRSTXYZ")
# Table 4: modal groups of G words, the non-modal ones first; then those of M words.
GROUPS = [
    {4, 10, 28, 30, 53, 92, 92.1, 92.2, 92.3},
    {0, 1, 2, 3, 38.2, *range(80, 90)},
    {17, 18, 19},
    {90, 91},
    {93, 94},
    {20, 21},
    {40, 41, 42},
    {43, 49},
    {98, 99},
    {54, 55, 56, 57, 58, 59, 59.1, 59.2, 59.3},
    {61, 61.1, 64},
]
M_GROUPS = [{0, 1, 2, 30, 60}, {6}, {3, 4, 5}, {7, 8, 9}, {48, 49}]


def panel_moves():
    """A start line, a brim and a few layers of wall, some of it left of and before the origin."""
    rng = np.random.default_rng(7)
    rows = [(Kind.LIFT, 0, 0, 5, 0, 0), (Kind.TRAVEL, -3.2, -2, 5, 0, 0), (Kind.LIFT, -3.2, -2, 0.2, 0, 0)]
    rows += [(Kind.START, 60, -2, 0.2, 2.1, 0), (Kind.TRAVEL, 60, 4, 0.2, 0, 0)]
    rows += [(Kind.BRIM, x, y, 0.2, 0.7, 0) for x, y in ((80, 4), (80, 24), (60, 24), (60, 4.4))]
    for layer in range(LAYERS):
        z = 0.2 + 0.1 * layer
        x, y = rows[-1][1:3]
        rows.append((Kind.RETRACT, x, y, rows[-1][3], -0.8, layer))
        rows += [(Kind.LIFT, x, y, z, 0, layer)] if layer else []
        rows += [(Kind.TRAVEL, 65, 10, z, 0, layer), (Kind.RELOAD, 65, 10, z, 0.8, layer)]
        for bead, way in enumerate((1, -1)):
            along = np.linspace(0, 10, 21)[1:] if way > 0 else np.linspace(10, 0, 21)[1:]
            rows += [
                (
                    Kind.WALL,
                    65 + u,
                    10 + 0.42 * bead + rng.normal(0, 0.02),
                    z,
                    0.5 * rng.uniform(0.02, 0.03),
                    layer,
                )
                for u in along
            ]
            rows.append((Kind.HAIRPIN, rows[-1][1], 10.42, z, 0.01, layer))
        rows.append((Kind.LINK, 70, 10.5, z, 0, layer))
    kind, x, y, z, filament, layer = (np.array(column) for column in zip(*rows, strict=True))
    feed = np.where(np.isin(kind, (Kind.TRAVEL, Kind.LIFT)), 100.0, rng.choice([20.0, 12.345], len(kind)))
    return Moves((0.0, 0.0, 0.0), x, y, z, filament, feed, kind.astype(np.uint8), layer.astype(np.int32))


def written(name, fan=0.8):
    stream, made = io.BytesIO(), panel_moves()
    writer = ProgramWriter(stream, load_machine(name), fan)
    top = 0.2 + 0.1 * np.arange(LAYERS)
    writer.begin(FACTS, VALUES, top, np.full(LAYERS, 0.1), late=Totals.keys())
    writer.write(made, made.feed)
    writer.finish(
        dict.fromkeys(("moves", "time", "filament", "mass"), "1 (one)")
        | {f"{box} {axis}": "0.000 to 100.000 mm" for box in ("deposit", "reach") for axis in "xyz"}
    )
    assert writer.lines == len(made)
    return stream.getvalue(), made


def blocks(text):
    """Words of each line, after the rules for lines and comments (3.3, 3.3.2.1, 3.3.4) were held."""
    assert text.endswith("\n")
    for line in text.splitlines(keepends=True):
        assert len(line) <= 256 and line.isascii()  # 3.3
        code = re.sub(r"\([^()]*\)", "", line)  # 3.3.4: closed on the line, not nested
        assert not set("();") & set(code), line
        words = re.findall(r"([A-Za-z])\s*([+-]?(?:\d+\.?\d*|\.\d+))", code)  # 3.3.2.1
        assert "".join(a + n for a, n in words) == "".join(code.split()), line
        yield line, words


def test_the_strict_dialect_keeps_the_rules_of_the_standard():
    program, _ = written("ngc-lab")
    seen = list(blocks(program.decode("ascii")))
    for line, words in seen:
        letters = [letter for letter, _ in words]
        assert set(letters) <= LETTERS, line  # 3.3.2, Table 3
        others = [letter for letter in letters if letter not in "GM"]
        assert len(set(others)) == len(others), line  # 3.3.5: any other letter at most once
        for kind, groups, most in (("G", GROUPS, 9), ("M", M_GROUPS, 4)):
            values = [float(number) for letter, number in words if letter == kind]
            where = [next(i for i, group in enumerate(groups) if value in group) for value in values]
            assert len(set(where)) == len(where) <= most, (
                line
            )  # 3.3.5: one word of a modal group, four M words
        if {"G0", "G1"} & {a + n for a, n in words}:
            assert set(letters) & set("XYZABC"), line  # 3.5.1, 3.5.2
        assert "F" not in letters or float(dict(words)["F"]) > 0  # 3.5.2: a feed of 0 is an error
    ends = [line for line, words in seen if {"M2", "M30"} & {a + n for a, n in words}]
    assert ends == [seen[-1][0]]  # 3.6.1: they end the program


@pytest.mark.parametrize("name", machine_names())
def test_pygcode_reads_every_line(name):
    program, made = written(name)
    dialect = load_machine(name).dialect
    simulated, places = pygcode.Machine(), []
    for text in program.decode("ascii").splitlines():
        line = pygcode.Line(text)
        codes, left = line.block.gcodes, line.block.modal_params
        own = [
            w for w in left if w.letter in dialect.own_words or f"{w.letter}{w.value:g}" in dialect.own_words
        ]
        sets = [w for w in left if w.letter == dialect.extruder and any(str(code) == "G92" for code in codes)]
        assert left == own or left == sets, text
        assert len(codes) + len(left) > 0 or line.comment or not text, text
        if re.match(r"G[01]\b", text):
            simulated.process_gcodes(*codes)
            places.append([simulated.pos.values[axis] for axis in "XYZ"])
    start, finish = (
        sum(bool(re.match(r"G[01]\b", t)) for t in block.splitlines())
        for block in (dialect.start, dialect.finish)
    )
    found = np.array(places[start : len(places) - finish])
    expected = np.stack([made.x, made.y, made.z], axis=1)
    known = slice(2, None)  # from the first travel on, x and y have been named
    assert found.shape == expected.shape
    assert np.abs(found - expected)[known].max() <= 0.0005 + 1e-9
