"""Panels that are no plain rectangle, from the option to the replay of the written program."""

import numpy as np
import pytest
from scipy import ndimage

from pathgen import Job, PathgenError, make, plan_panel
from pathgen.gcode.read import read_program
from pathgen.motion import Kind
from pathgen.proof.deposit_map import deposit
from pathgen.proof.frame import Frame
from tests.matrix import paired

SHAPES = {
    "disc": np.pi / 4 * 40 * 40,
    "arch": 40 * 10 + np.pi * 20**2 / 2,
    "corner": 40 * 30 - (4 - np.pi) * 5**2,
    "polygon": 40 * 30 / 2,
}


def job(shape, folder, **more):
    asked = {"width": 40.0, "height": 30.0, "brim": 3.0, "rim_width": 2.0} | more
    if shape == "disc":
        asked["height"] = None
    if shape == "corner":
        return Job(corner=5.0, **asked)
    if shape == "polygon":
        (folder / "gable.wkt").write_text("POLYGON ((0 0, 40 0, 20 30, 0 0))")
        return Job(outline=str(folder / "gable.wkt"), **asked)
    return Job(outline=shape, **asked)


@pytest.mark.parametrize("shape", SHAPES)
def test_area_is_the_shapes(shape, tmp_path):
    panel = plan_panel(np.full((300, 400), 1.6), job(shape, tmp_path)).panel
    area = np.count_nonzero(panel.thickness) * panel.pixel**2
    # A disc loses its flat: less than 2 % of it.
    assert area == pytest.approx(SHAPES[shape], rel=0.02 if shape == "disc" else 3e-3)
    assert panel.edge.any() and (panel.thickness[panel.edge] <= 4.0).all()


@pytest.mark.parametrize(("shape", "stand"), paired(SHAPES, [("moving-table", 0.0), ("moving-gantry", 90.0)]))
def test_the_program_deposits_the_shape(shape, stand, tmp_path):
    machine, bend = stand
    u, z = np.meshgrid(np.arange(200) / 5, np.arange(150) / 5)
    coarse = {"pixel": 0.2, "layer": 0.2, "first_layer": 0.2}
    wall = 1.8 + 0.6 * np.sin(u / 3) * np.cos(z / 4)
    out = tmp_path / "shape.gcode"
    result = make(wall, out, job(shape, tmp_path, machine=machine, bend=bend, **coarse))
    planned = result.planned
    setup = planned.setup
    program = read_program(out, setup.machine.dialect, setup.machine.hot_end.filament_diameter)
    laid = deposit(
        program,
        Frame.of(program),
        packing=setup.beads.packing,
        filament_diameter=setup.machine.hot_end.filament_diameter,
    )
    wanted = planned.layers.profiles(0, len(planned.layers)).thickness[::-1]
    wanted = wanted[-len(laid.volume) :]  # a gable's tip may be too small for any move
    # Where a wall ends the bead's end takes a millimetre; everything further in is held to its thickness.
    solid = wanted > 0
    inner = solid.copy()
    for shift in range(1, 7):
        inner[:, shift:] &= solid[:, :-shift]
        inner[:, :-shift] &= solid[:, shift:]
    inner[:, :6] = inner[:, -6:] = False
    gap = (laid.thickness - wanted)[inner]
    assert np.sqrt(np.mean(gap**2)) < 0.012
    if not bend:
        cells = planned.layers.height[: len(wanted)][::-1, None] * wanted * planned.panel.pixel
        assert laid.volume.sum() == pytest.approx(cells.sum() * setup.beads.packing, rel=1e-3)
    volume = setup.machine.volume
    for values, (low, high) in zip(
        (program.moves.x, program.moves.y, program.moves.z), (volume.x, volume.y, volume.z), strict=True
    ):
        assert values.min() >= low and values.max() <= high


def test_a_disc_stands_in_a_comb(tmp_path):
    result = make(np.full((400, 400), 1.8), tmp_path / "disc.gcode", job("disc", tmp_path))
    assert result.tally.count[Kind.COMB] > 0
    assert 0 < result.summary.standing.supports_share < 0.15
    assert any("Comb:" in note for note in result.summary.notes)
    without = plan_panel(np.full((400, 400), 1.8), job("disc", tmp_path, comb="none"))
    assert without.supports is None


@pytest.mark.parametrize("shape", ["rectangle", "disc"])
def test_loops_stand_on_the_top_with_an_open_hole(shape, tmp_path):
    asked = {"width": 60.0, "brim": 3.0, "rim_width": 3.0, "outline": shape}
    wall = np.full((400, 540), 1.8)
    loops = 2 if shape == "rectangle" else 1
    result = make(wall, tmp_path / "hung.gcode", Job(eyelets=loops, **asked))
    panel, bare = result.planned.panel, plan_panel(wall, Job(**asked)).panel
    assert panel.height > bare.height
    # As many openings as loops: gaps of wall closed off by wall on both sides, in the rows of the lugs.
    _, holes = ndimage.label(panel.thickness == 0)
    _, background = ndimage.label(bare.thickness == 0)
    outside = ndimage.label(np.pad(panel.thickness == 0, 1, constant_values=True))[1]
    assert outside == 1 + loops and holes >= loops + background - 1
    assert panel.thickness[: panel.thickness.shape[0] - bare.thickness.shape[0]].max() == 4.0
    machine = result.planned.setup.machine
    program = read_program(tmp_path / "hung.gcode", machine.dialect, machine.hot_end.filament_diameter)
    assert program.ended


def test_refusals(tmp_path):
    (tmp_path / "bow.wkt").write_text("POLYGON ((0 0, 40 30, 40 0, 0 30, 0 0))")
    (tmp_path / "none.wkt").write_text("POLYGON EMPTY")
    wall = np.full((300, 400), 1.6)
    for outline, word in (
        (str(tmp_path / "bow.wkt"), "self-intersection"),
        (str(tmp_path / "none.wkt"), "none.wkt"),
        (str(tmp_path / "missing.wkt"), "missing.wkt"),
        ("disk", "did you mean 'disc'"),
    ):
        with pytest.raises(PathgenError, match=word):
            plan_panel(wall, Job(outline=outline, brim=2.0))
    with pytest.raises(PathgenError, match="foot"):
        plan_panel(wall, Job(outline="disc", foot=200.0, brim=2.0))
    with pytest.raises(PathgenError, match="corner"):
        plan_panel(wall, Job(corner=100.0, brim=2.0))
