"""Every form a panel can have that makes sense, in one table: what each program makes, and where it stays.

Each row is made, read back from its text and laid down. Its wall is its map within 0.012 mm RMS (outside the
last millimetre of every stretch of wall), all of it lies inside the build volume, and no stroke of a support
comes nearer to the picture's face than the gap it was planned with, tabs aside, which meet the rim alone;
shapely measures that.
"""

from itertools import combinations, product

import numpy as np
import pytest
import shapely

from pathgen import Job, compare, make, replay
from pathgen.gcode.read import read_program
from pathgen.motion import Kind
from pathgen.settings import load_machine

MACHINES = ["moving-table", "moving-gantry", "long-tube", "ngc-lab"]
COARSE = {"brim": 3.0, "pixel": 0.25, "layer": 0.25, "first_layer": 0.25}
BOW = "POLYGON ((0 0, 30 0, 40 14, 30 26, 16 22, 4 26, -6 12, 0 0), (12 10, 20 10, 16 16, 12 10))"


def relief(rows, cols, seed):
    """A smooth asymmetric map between 0.8 and 3 mm."""
    rng = np.random.default_rng(seed)
    z, u = np.mgrid[0:rows, 0:cols] / 4.0
    waves = sum(
        np.sin(a * u + b * z + c)
        for a, b, c in zip(*rng.uniform(0.1, 0.9, (2, 4)), rng.uniform(0, 6, 4), strict=True)
    )
    return 0.8 + 2.2 * (waves - waves.min()) / np.ptp(waves)


def table():
    """Outline × bend × rim × eyelet × support, what makes no sense left out."""
    outlines = [
        {"outline": "rectangle"},
        {"outline": "rectangle", "corner": 5.0},
        {"outline": "disc"},
        {"outline": "arch"},
        {"outline": "bow.wkt"},
    ]
    bends = [{}, {"bend": 90.0}, {"bend": -90.0}, {"bend": 360.0}]
    rims = [
        {"rim_width": 0.0},
        {"rim_width": 3.0},
        {"rim_width": 2.5, "rim_bevel": 40.0, "line_width": 0.8},
    ]
    hung = [{}, {"eyelets": 2, "eyelet_opening": 3.0}]
    supports = [{}, {"wedges": 2, "wedge_height": 14.0, "wedge_base": 5.0}]
    rows = []
    for outline, bend, rim, loops, support in product(outlines, bends, rims, hung, supports):
        job = outline | bend | rim | loops | support
        plain = outline == {"outline": "rectangle"}
        if "wedges" in support and (bend or not plain or not rim["rim_width"]):
            continue  # a bent panel stands by its shape; wedges lean on a straight rim
        if bend.get("bend") == 360.0 and (not plain or loops):
            continue  # a ring goes all the way round
        if loops and (not rim["rim_width"] or outline["outline"] == "bow.wkt"):
            continue  # the bow's top is no edge to hang by
        rows.append(job)
    views = [{"turn": 90}, {"turn": 180}, {"turn": 270, "relief": "away"}, {"relief": "away", "bend": 120.0}]
    views += [{"outline": "disc", "turn": 90, "eyelets": 1}, {"outline": "arch", "turn": 180}]
    views += [
        {"bend": 360.0, "seam": "dark"},
        {"bend": -360.0, "seam": "dark", "relief": "away", "turn": 180},
    ]
    views += [{"outline": "disc", "bend": 60.0, "relief": "away"}, {"slope": "minimum"}, {"fill": "terraced"}]
    return rows + views


ROWS, VIEWS = table(), 11


def test_the_table_is_long_enough():
    assert len(ROWS) >= 60
    assert len({tuple(sorted(row.items())) for row in ROWS}) == len(ROWS)


def _covering(rows):
    """Choose numbers of rows, greedily, so that every pair of values of any row occurs in one of them."""
    pairs = [set(combinations(sorted({"outline": "rectangle", **row}.items()), 2)) for row in rows]
    missing, chosen = set().union(*pairs), []
    while missing:
        chosen.append(max(range(len(rows)), key=lambda number: (len(pairs[number] & missing), -number)))
        missing -= pairs[chosen[-1]]
    return chosen


def _numbered():
    """Rows by number: a covering part of the table and the views; the rest runs with the slow tests."""
    quick = {*_covering(ROWS[:-VIEWS]), *range(len(ROWS) - VIEWS, len(ROWS))}
    for number, row in enumerate(ROWS):
        marks = [] if number in quick else [pytest.mark.slow]
        yield pytest.param(number, id="-".join(f"{v}" for v in row.values()), marks=marks)


@pytest.mark.parametrize("number", list(_numbered()))
def test_a_form_makes_its_map_and_keeps_its_distance(number, tmp_path):
    row, name = dict(ROWS[number]), MACHINES[number % len(MACHINES)]
    if row.get("outline") == "bow.wkt":
        (tmp_path / "bow.wkt").write_text(BOW)
        row["outline"] = str(tmp_path / "bow.wkt")
    if row.get("bend") in (360.0, -360.0):
        row["width"] = 55.0
    out = tmp_path / "form.gcode"
    result = make(relief(80, 112, number), out, Job(**(COARSE | {"machine": name} | row)))
    planned, machine = result.planned, load_machine(name)
    found = replay(out)
    assert not found.notes
    wanted = planned.panel.view.upright(planned.panel.thickness)
    assert compare(found, wanted, ends=1.0).thickness_rms_mm <= 0.012
    assert compare(found, wanted[:, ::-1], ends=1.0).thickness_rms_mm > 0.05
    moves = read_program(out, machine.dialect, machine.hot_end.filament_diameter).moves
    for values, (low, high) in zip(
        (moves.x, moves.y, moves.z), (getattr(machine.volume, axis) for axis in "xyz"), strict=True
    ):
        assert low <= values.min() and values.max() <= high
    _check_supports(planned, moves)


def _check_supports(planned, moves):
    """Strokes of supports, grown to their width, against the wall of their layer."""
    u, n = planned.placement.to_panel(moves.x, moves.y)
    if planned.bend is not None:
        u, n = planned.bend.to_flat(u, n)
    layers, rim = planned.layers, planned.panel.rim * planned.panel.pixel
    for kind in (Kind.WEDGE, Kind.COMB):
        here = np.flatnonzero((moves.kind == kind) & (moves.layer > 0) & (moves.filament > 0))
        here = here[here > 0]
        for layer in np.unique(moves.layer[here])[::5].tolist():
            at = here[moves.layer[here] == layer]
            lines = shapely.linestrings(
                np.stack([np.column_stack([u[at - 1], n[at - 1]]), np.column_stack([u[at], n[at]])], axis=1)
            )
            beads = shapely.buffer(lines, 0.2)
            wall = layers.profiles(layer, layer + 1).thickness[0]
            face = _section(wall, planned.panel.pixel, rim if kind == Kind.WEDGE else 0.0)
            apart = shapely.distance(beads, face)
            # The gap is 0.2 mm; beads are 0.42 wide at most, and a map is true to a pixel.
            assert apart.min() >= 0.2 - 0.11, (kind.name, layer)


def _section(wall, pixel, rim):
    """The picture's part of a layer's section as a polygon of its columns."""
    edge = np.diff((wall > 0).astype(int), prepend=0, append=0)
    parts = []
    for lo, hi in zip(np.flatnonzero(edge > 0), np.flatnonzero(edge < 0), strict=True):
        low, high = lo * pixel + rim, hi * pixel - rim
        if high > low:
            parts.append(shapely.box(low, 0.0, high, float(wall[lo:hi].max())))
    return shapely.union_all(parts) if parts else shapely.Point(1e6, 1e6)
