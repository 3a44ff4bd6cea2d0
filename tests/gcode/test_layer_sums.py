"""The sums of a layer, against the definitions and against damage."""

import binascii
import io

import numpy as np
import pytest

from pathgen.gcode.comments import header_sum, parse_fact
from pathgen.gcode.layer_sums import UNIT, LayerSum, parse_sum, sum_deposits
from pathgen.gcode.read import read_program
from pathgen.settings import load_machine
from tests.proof.checklist.programs import program


def sums(start, x, y, filament):
    x, y, filament = (np.array(values, float) for values in (x, y, filament))
    return LayerSum.of(sum_deposits(start, (x, y, 0 * x), filament, np.array([0]))[0])


def test_a_right_angle_by_hand():
    """3 mm with 0.3 mm of filament, then 4 mm with 0.1 mm: centre (0.3·1.5 + 0.1·3)/0.4, 0.1·2/0.4."""
    found = sums((0, 0, 0), [3, 3, 3], [0, 0, 4], [0.3, -0.5, 0.1])
    np.testing.assert_allclose(found, (0.4, 7.0, 1.875, 0.5), atol=1e-6)


def test_nothing_deposited():
    assert sums((0, 0, 0), [1.0], [1.0], [0.0]) == (0, 0, 0, 0)
    assert str(sums((0, 0, 0), [1.0], [1.0], [0.0])).endswith("centre 0.000 0.000 mm")


def test_the_text_reads_back():
    found = LayerSum(12.34567, 89.12345, -3.21, 140.0)
    assert not found.differs(parse_sum(str(found)))
    assert parse_sum("sum filament 1 mm") is None and parse_sum("part wall") is None


def test_sums_do_not_depend_on_the_groups():
    rng = np.random.default_rng(1)
    x, y, filament = rng.uniform(0, 100, (3, 5000))
    whole = sum_deposits((0, 0, 0), (x, y, 0 * x), filament, np.array([0]))[0]
    parts = sum_deposits((0, 0, 0), (x, y, 0 * x), filament, np.array([0, 17, 900, 4999]))
    assert (parts.sum(axis=0) == whole).all()
    np.testing.assert_allclose(whole[0] * UNIT, filament.sum(), rtol=1e-9)


@pytest.mark.parametrize("name", ["moving-table", "moving-gantry", "long-tube", "ngc-lab"])
def test_a_program_states_what_its_text_deposits(name):
    """Also where filament words are volumes or absolute."""
    machine = load_machine(name)
    read = read_program(io.BytesIO(program(name)), machine.dialect, machine.hot_end.filament_diameter)
    moves = read.moves
    first = np.flatnonzero(np.diff(moves.layer, prepend=-1))
    totals = sum_deposits(moves.start, (moves.x, moves.y, moves.z), moves.filament, first)
    layers = moves.layer[first].tolist()
    assert sorted(read.sums) == sorted(set(layers)) == list(range(len(read.tops)))
    for layer, row in zip(layers, totals, strict=True):
        found = LayerSum.of(row)
        np.testing.assert_allclose(found, read.sums[layer], atol=2e-3)
        assert not found.differs(read.sums[layer])


@pytest.mark.parametrize(
    "other",
    [(0.03, 0, 0, 0), (0, 0.15, 0, 0), (0, 0, 0.011, 0), (0, 0, 0, -0.011), (np.nan, 0, 0, 0)],
)
def test_a_difference_is_seen_and_rounding_is_not(other):
    stated = LayerSum(5.0, 60.0, 10.0, 20.0)
    assert LayerSum(*np.add(stated, other)).differs(stated)
    assert not LayerSum(*np.add(stated, np.nan_to_num(other) / 10)).differs(stated)


def test_the_header_sum_is_the_standard_crc():
    """The CRC-32 of "123456789" is cbf43926, the usual check value of this polynomial (from memory)."""
    assert binascii.crc32(b"123456789") == 0xCBF43926
    expected = f"{binascii.crc32(bytes('a=1|b=2|', 'ascii').replace(b'|', bytes([10]))):08x}"
    assert header_sum({"a": "1", "header sum": "x", "b": "2"}) == expected
    assert parse_fact("a = 1 = 2") == ("a", "1 = 2") and parse_fact("= 2") is None
