"""The deposit map: strips with known answers, conservation, and a slow binning written here."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.gcode.read import read_program
from pathgen.motion.moves import Kind, Moves
from pathgen.proof import DepositMap, Frame, deposit, deposit_map, inside_ends, thickness_error, top_first
from pathgen.settings.machine import Dialect

AREA = math.pi * 1.75**2 / 4  # mm² of 1.75 mm filament


def moves_of(x, y, z, filament, kind=Kind.WALL, start=(0.0, 0.0, 0.0)) -> Moves:
    columns = np.broadcast_arrays(*(np.asarray(c, float) for c in (x, y, z, filament)))
    x, y, z, filament = (c.copy() for c in columns)
    kinds = np.broadcast_to(np.asarray(kind, np.uint8), x.shape).copy()
    return Moves(start, x, y, z, filament, np.full(len(x), 20.0), kinds, np.zeros(len(x), np.int32))


def lay(moves: Moves, frame: Frame, packing: float = 1.0, **more) -> DepositMap:
    return deposit(moves, frame, packing=packing, filament_diameter=1.75, **more)


def frame_of(width: float, pixel: float, tops=(0.2,), rotation=0, x0=0.0, y0=0.0) -> Frame:
    return Frame(rotation, x0, y0, width, pixel, np.array(tops))


def filament_for(length: float, spacing: float, height: float, packing: float = 1.0) -> float:
    """Filament for a bead: E = packing · p · h · ds / (π d²/4)."""
    return packing * spacing * height * length / AREA


# --- known answers ------------------------------------------------------------------------------------------


def test_a_bead_of_known_spacing_fills_that_thickness():
    """Three beads of 0.4 mm spacing along the whole strip: 1.2 mm of wall everywhere."""
    fed = filament_for(10.0, 0.4, 0.2, packing=0.99)
    moves = moves_of([10, 0, 10], [0.2, 0.6, 1.0], 0.2, fed, start=(0.0, 0.2, 0.2))
    found = lay(moves, frame_of(10.0, 0.1), packing=0.99)
    assert found.thickness.shape == (1, 100)
    np.testing.assert_allclose(found.thickness, 1.2, rtol=1e-12)
    assert found.outside == 0.0


def test_a_handbook_bead():
    """A stadium section of 0.4 × 0.2 mm is 0.0714159 mm²: 0.0296913 mm of 1.75 mm filament a mm."""
    found = lay(moves_of([1.0], [0], 0.2, 0.0296913), frame_of(1.0, 0.25))
    np.testing.assert_allclose(found.volume, 0.0714159 / 4, rtol=2e-6)


def test_partly_crossed_columns_get_their_share():
    fed = 1.0 / AREA  # 1 mm³ over 1 mm
    found = lay(moves_of([1.75], [0], 0.2, fed, start=(0.75, 0.0, 0.2)), frame_of(3.0, 0.5))
    np.testing.assert_allclose(found.volume[0], [0, 0.25, 0.5, 0.25, 0, 0], atol=1e-15)


def test_backwards_is_the_same_as_forwards():
    there = lay(moves_of([1.93], [0], 0.2, 1.0, start=(0.31, 0, 0)), frame_of(3.0, 0.1))
    back = lay(moves_of([0.31], [0], 0.2, 1.0, start=(1.93, 0, 0)), frame_of(3.0, 0.1))
    np.testing.assert_array_equal(there.volume, back.volume)


def test_a_move_across_the_wall_stays_in_its_column():
    frame = frame_of(1.0, 0.1)
    within = lay(moves_of([0.55], [2.0], 0.2, 1.0, start=(0.55, 0.0, 0.2)), frame)
    assert np.flatnonzero(within.volume[0]).tolist() == [5]
    border = lay(moves_of([0.3], [2.0], 0.2, 1.0, start=(0.3, 0.0, 0.2)), frame)  # 0.1 + 0.2 is not quite 0.3
    assert np.flatnonzero(border.volume[0]).tolist() == [3]
    end = lay(moves_of([1.0], [2.0], 0.2, 1.0, start=(1.0, 0.0, 0.2)), frame)
    assert np.flatnonzero(end.volume[0]).tolist() == [9]
    for found in (within, border, end):
        assert found.volume.sum() == pytest.approx(AREA, rel=1e-14)


def test_a_narrow_last_column():
    """A width that is no multiple of the pixel: the last column is narrower, its thickness the same."""
    fed = filament_for(1.05, 0.8, 0.2)
    found = lay(moves_of([1.05], [0], 0.2, fed), frame_of(1.05, 0.1))
    assert found.volume.shape == (1, 11)
    np.testing.assert_allclose(found.thickness, 0.8)


def test_what_falls_beside_is_counted_as_outside():
    fed = 4.0 / AREA  # 4 mm³ over 4 mm, of which 1 mm before and 1 mm behind the panel
    found = lay(moves_of([3.0], [0], 0.2, fed, start=(-1.0, 0.0, 0.2)), frame_of(2.0, 0.5))
    np.testing.assert_allclose(found.volume[0], 0.5)
    assert found.outside == pytest.approx(2.0)
    astray = lay(moves_of([1.0, 0.0], [0, 0], [0.31, 0.4], 1.0), frame_of(2.0, 0.5))
    assert astray.outside == pytest.approx(2 * AREA)
    assert not astray.volume.any()


def test_layers_by_height_top_row_first():
    tops = [0.3, 0.4, 0.5]
    moves = moves_of([1, 0, 1], [0, 0, 0], [0.3, 0.4004, 0.5], [3.0, 2.0, 1.0])
    found = lay(moves, frame_of(1.0, 0.5, tops))
    np.testing.assert_allclose(found.volume.sum(1), [1 * AREA, 2 * AREA, 3 * AREA])
    np.testing.assert_allclose(top_first(found.frame.heights), [0.1, 0.1, 0.3])


def test_only_walls_and_turns_count():
    kinds = [Kind.WALL, Kind.HAIRPIN, Kind.BRIM, Kind.START, Kind.RELOAD, Kind.TRAVEL]
    moves = moves_of([1, 0, 1, 0, 1, 0], 0, 0.2, [1, 2, 4, 8, 16, 32], kinds)
    assert lay(moves, frame_of(1.0, 0.5)).volume.sum() == pytest.approx(3 * AREA)
    brim = lay(moves, frame_of(1.0, 0.5), kinds=(Kind.BRIM,))
    assert brim.volume.sum() == pytest.approx(4 * AREA)
    drawn = moves_of([1.0], [0], 0.2, -1.0)
    assert not lay(drawn, frame_of(1.0, 0.5)).volume.any()


def test_no_moves_give_an_empty_map():
    found = lay(moves_of([], [], [], []), frame_of(1.0, 0.5, [0.2, 0.4]))
    np.testing.assert_array_equal(found.thickness, np.zeros((2, 2)))


# --- which way round ----------------------------------------------------------------------------------------

LETTER = np.array(
    [[1, 1, 1, 1], [1, 0, 0, 0], [1, 1, 1, 0], [1, 0, 0, 0], [1, 0, 0, 0]], float
)  # F, top row first


def letter_program(rotation: int) -> bytes:
    """An F of thick wall on thin, as a person standing in front of the panel reads it; 2 mm pixels.

    The panel's face looks along `face`; who looks at it looks the other way, and what is to the right of the
    viewer is forward × up. That, and not the formula in the code, says where u points.
    """
    face = np.array([0.0, -1.0, 0.0]) if rotation == 0 else np.array([1.0, 0.0, 0.0])
    right = np.cross(-face, [0.0, 0.0, 1.0])
    lines = ["G21", "G90", "M83", "G28"]
    for layer, row in enumerate(LETTER[::-1]):
        z = 0.2 * (layer + 1)
        at = np.array([50.0, 60.0, 0.0])
        lines.append(f"G1 X{at[0]} Y{at[1]} Z{z:.3f} F600")
        for thick in row:
            at = at + 2.0 * right
            fed = filament_for(2.0, 1.0 + thick, 0.2)
            lines.append(f"G1 X{at[0]:.3f} Y{at[1]:.3f} E{fed:.6f}")
    return "\n".join([*lines, "M2", ""]).encode()


@pytest.mark.parametrize("rotation", [0, 90])
def test_a_letter_is_not_mirrored(rotation):
    dialect = Dialect(
        extruder="E",
        filament_mode="relative",
        filament_unit="mm",
        comment="semicolon",
        heaters="machine",
        start="",
        finish="",
        own_words=("E", "M83"),
    )
    program = read_program(letter_program(rotation), dialect, 1.75)
    frame = Frame(rotation, 50.0, 60.0, 8.0, 2.0, program.tops)
    found = deposit(program, frame, packing=1.0, filament_diameter=1.75)
    np.testing.assert_allclose(found.thickness, 1.0 + LETTER, rtol=1e-5)
    assert found.outside == pytest.approx(0.0, abs=1e-12)


# --- conservation and the slow binning ----------------------------------------------------------------------


def slow_volume(moves: Moves, frame: Frame) -> tuple[np.ndarray, float]:
    """Bin move by move and column by column, from the overlap of two intervals."""
    borders = frame.borders
    volume = np.zeros((len(frame.tops), len(borders) - 1))
    outside = 0.0
    x, y = moves.start[:2]
    for i in range(len(moves)):
        a, b = (x, moves.x[i]) if frame.rotation == 0 else (y, moves.y[i])
        a, b = (
            a - (frame.x0 if frame.rotation == 0 else frame.y0),
            b - (frame.x0 if frame.rotation == 0 else frame.y0),
        )
        x, y = moves.x[i], moves.y[i]
        low, high = min(a, b), max(a, b)
        fed = moves.filament[i] * AREA
        if moves.kind[i] not in (Kind.WALL, Kind.HAIRPIN) or fed <= 0:
            continue
        layer = int(np.argmin(np.abs(frame.tops - moves.z[i])))
        if high - low < 1e-6 * frame.pixel:
            column = math.floor(low / frame.pixel + 1e-6)
            if low == frame.width:
                column = len(borders) - 2
            if 0 <= column < len(borders) - 1:
                volume[layer, column] += fed
            else:
                outside += fed
            continue
        for j in range(len(borders) - 1):
            volume[layer, j] += (
                fed * max(0.0, min(high, borders[j + 1]) - max(low, borders[j])) / (high - low)
            )
        outside += (
            fed * (max(0.0, min(high, 0.0) - low) + max(0.0, high - max(low, frame.width))) / (high - low)
        )
    return volume[::-1], outside


_PLACE = st.one_of(st.integers(-3, 13).map(lambda k: k * 0.5), st.floats(-2.0, 7.0, width=32).map(float))
_MOVE = st.tuples(
    _PLACE, _PLACE, st.sampled_from([0.3, 0.4, 0.55]), st.floats(-0.5, 3.0), st.sampled_from(list(Kind))
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    rows=st.lists(_MOVE, min_size=1, max_size=25),
    rotation=st.sampled_from([0, 90]),
    width=st.sampled_from([5.0, 4.75]),
    block=st.sampled_from([1, 7, 1 << 18]),
)
def test_binning_is_that_of_overlapping_intervals(rows, rotation, width, block):
    x, y, z, filament, kind = (np.array(c) for c in zip(*rows, strict=True))
    moves = moves_of(x, y, z, filament, kind, start=(1.0, 2.0, 0.3))
    frame = frame_of(width, 0.5, [0.3, 0.4, 0.55], rotation)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(deposit_map, "BLOCK", block)
        found = lay(moves, frame)
    volume, outside = slow_volume(moves, frame)
    np.testing.assert_allclose(found.volume, volume, rtol=1e-12, atol=1e-12)
    assert found.outside == pytest.approx(outside, rel=1e-12, abs=1e-12)
    fed = moves.filament[np.isin(moves.kind, (Kind.WALL, Kind.HAIRPIN)) & (moves.filament > 0)].sum() * AREA
    assert found.volume.sum() + found.outside == pytest.approx(fed, rel=1e-12, abs=1e-15)
    assert (found.volume >= 0).all()


def test_volume_is_conserved_for_many_moves():
    rng = np.random.default_rng(3)
    n = 200_000
    u = rng.uniform(-1, 101, n)
    u[::3] = np.roll(u, 1)[::3] + rng.normal(0, 1e-9, len(u[::3]))  # moves of almost no extent as well
    moves = moves_of(
        u + 30.0, rng.uniform(50, 53, n), np.sort(rng.integers(1, 201, n)) * 0.1, rng.uniform(0, 0.05, n)
    )
    found = lay(moves, frame_of(100.0, 0.1, np.arange(1, 201) * 0.1, x0=30.0))
    assert found.volume.sum() + found.outside == pytest.approx(moves.filament.sum() * AREA, rel=1e-12)


# --- rows of a picture, figures, refusals -----------------------------------------------------------------


def test_upright_rows_keep_volume():
    rng = np.random.default_rng(8)
    tops = np.concatenate([[0.3], 0.3 + 0.1 * np.arange(1, 8)])  # 1.0 mm high
    frame = frame_of(3.0, 0.25, tops)
    found = DepositMap(rng.uniform(0.01, 0.1, (8, 12)), frame, 0.99, 0.0)
    for rows in (None, 1, 3, 10, 40):
        upright = found.upright(rows)
        assert upright.shape == (4 if rows is None else rows, 12)
        total = upright.sum() * 0.25 * (1.0 / len(upright)) * 0.99
        assert total == pytest.approx(found.volume.sum(), rel=1e-12)
    # Ten rows of 0.1 mm: the three lowest lie in the first layer, the others are the layers themselves.
    np.testing.assert_allclose(found.upright(10)[:7], found.thickness[:7])
    np.testing.assert_allclose(found.upright(10)[7:], np.repeat(found.thickness[7:], 3, axis=0))
    with pytest.raises(PathgenError, match="0 rows"):
        found.upright(0)


def test_thickness_error_figures():
    wanted = np.ones((2, 100))
    found = wanted + np.array([[0.1], [-0.1]])
    found[0, 0] = 3.0
    figures = thickness_error(found, wanted)
    assert figures["max"] == pytest.approx(2.0)
    assert figures["bias"] == pytest.approx(1.9 / 200)
    assert figures["rms"] == pytest.approx(math.sqrt((199 * 0.01 + 4.0) / 200))
    assert figures["p99"] == pytest.approx(0.1)
    inner = thickness_error(found, wanted, ends=0.1, pixel=0.1)
    assert inner["max"] == pytest.approx(0.1)
    assert inner["bias"] == pytest.approx(0.0, abs=1e-15)
    wanted[:, 50:] = np.nan  # nothing asked for there
    assert thickness_error(found, wanted)["bias"] == pytest.approx(1.9 / 100)


def test_thickness_error_takes_maps_by_layer_or_by_row():
    fed = [filament_for(4.0, t, 0.2) for t in (0.8, 1.2)]
    found = lay(moves_of([4.0, 0.0], [0, 0], [0.2, 0.4], fed), frame_of(4.0, 0.4, [0.2, 0.4]))
    by_layer = np.repeat([[1.2], [0.8]], 10, axis=1)
    assert thickness_error(found, by_layer)["max"] == pytest.approx(0.0, abs=1e-12)
    assert thickness_error(found, np.ones((1, 10)))["max"] == pytest.approx(0.0, abs=1e-12)
    with pytest.raises(PathgenError, match=r"shape \(2, 9\)"):
        thickness_error(found, np.ones((2, 9)))
    with pytest.raises(PathgenError, match="no part of the wall is left"):
        thickness_error(found, by_layer, ends=2.0)
    with pytest.raises(PathgenError, match="`ends` was passed without `pixel`"):
        thickness_error(by_layer, by_layer, ends=2.0)


def test_nothing_to_divide_by():
    with pytest.raises(PathgenError, match="packing is 0"):
        deposit(moves_of([], [], [], []), frame_of(1.0, 0.5), packing=0.0, filament_diameter=1.75)


def test_what_counts_lies_inside_the_ends_of_every_wall():
    """Against scipy's erosion of every row's wall by the ends, the panel's border being an end as well."""
    from scipy.ndimage import binary_erosion

    rng = np.random.default_rng(4)
    for _ in range(20):
        wall = np.repeat(rng.random((6, 12)) > 0.3, 9, axis=1)
        for ends in (0.0, 0.1, 0.25, 0.4):
            steps = math.ceil(ends / 0.1 - 1e-9)
            line = np.ones((1, 2 * steps + 1), bool)
            expected = binary_erosion(wall, line) if steps else wall
            found = inside_ends(wall * 1.5, ends, 0.1)
            np.testing.assert_array_equal(found & wall, expected)
            assert (found & ~wall).sum() == (binary_erosion(~wall, line) if steps else ~wall).sum()
    for ends in (-1.0, np.nan, np.inf):
        with pytest.raises(PathgenError, match="ends"):
            inside_ends(wall * 1.5, ends, 0.1)
