"""The whole pipeline, judged by reading the written text back."""

import json
import subprocess
import sys

import numpy as np
import pytest
from skimage import data, transform

from pathgen import Job, PathgenError, make, plan_panel
from pathgen.gcode.read import read_program
from pathgen.motion import Kind, filament_area
from pathgen.proof.deposit_map import Frame, deposit, thickness_error
from pathgen.settings import machine_names, settle
from tests.matrix import paired

PHOTOS = {"camera": data.camera, "astronaut": data.astronaut}
SMALL = {"width": 24.0, "brim": 3.0}


def waves(seed, rows=200, cols=300):
    """A thickness map of seeded waves of many lengths, 0.8 to 3 mm."""
    rng = np.random.default_rng(seed)
    u, z = np.arange(cols) / 10, np.arange(rows)[:, None] / 10
    total = sum(
        rng.normal() * np.sin(u * np.cos(a) * k + z * np.sin(a) * k + rng.uniform(0, 6))
        for k in (0.3, 0.9, 2.2, 5.0)
        for a in rng.uniform(0, np.pi, 3)
    )
    return 1.9 + 1.1 * np.tanh(total / 2)


def source(name, folder):
    if name in PHOTOS:
        from PIL import Image

        path = folder / f"{name}.png"
        Image.fromarray(PHOTOS[name]()).save(path)
        return path
    return waves(int(name))


def read_back(result, path):
    planned = result.planned
    machine, job = planned.setup.machine, planned.setup.job
    program = read_program(path, machine.dialect, machine.hot_end.filament_diameter)
    place = planned.placement
    frame = Frame(place.rotation, place.x0, place.y0, planned.panel.width, job.pixel, planned.layers.top)
    laid = deposit(program, frame, packing=job.packing, filament_diameter=machine.hot_end.filament_diameter)
    return program, laid


def wanted(planned):
    """The profile of every layer, top first."""
    return planned.layers.profiles(0, len(planned.layers)).thickness[::-1]


@pytest.mark.parametrize(("name", "machine"), paired(["camera", "astronaut", "0", "1", "2"], machine_names()))
def test_what_is_fed_is_what_was_wanted(name, machine, tmp_path):
    out = tmp_path / "panel.gcode"
    result = make(
        source(name, tmp_path), out, Job(machine=machine, **(SMALL if name in PHOTOS else {"brim": 3.0}))
    )
    planned = result.planned
    program, laid = read_back(result, out)
    assert program.ended and laid.outside == 0

    # Fed per layer against packing × section area × layer height.
    job, layers = planned.setup.job, planned.layers
    made = np.isin(program.moves.kind, (Kind.WALL, Kind.HAIRPIN))
    area = filament_area(planned.setup.machine.hot_end.filament_diameter)
    fed = np.bincount(program.moves.layer[made], program.moves.filament[made] * area, len(layers))
    due = job.packing * layers.section_area() * layers.height
    assert np.abs(fed / due - 1).max() < 1e-3
    assert abs(fed.sum() / due.sum() - 1) < 2e-4

    error = thickness_error(laid, wanted(planned), ends=1.0)
    assert error["rms"] < 0.01
    assert abs(error["bias"]) < 0.0005 * wanted(planned).mean()


@pytest.mark.parametrize("axis", ["x", "y"])
def test_the_picture_is_not_mirrored(axis, tmp_path):
    """A letter like an F, thick strokes, found in the text's own coordinates as a viewer sees it."""
    letter = np.full((60, 40), 1.0)
    letter[5:55, 5:12] = 3.0
    letter[5:12, 5:35] = 3.0
    letter[25:32, 5:25] = 3.0
    out = tmp_path / "letter.gcode"
    result = make(letter, out, Job(axis=axis, pixel=0.5, layer=0.25, first_layer=0.25, rim_width=0, brim=0))
    program, laid = read_back(result, out)
    seen = transform.resize(laid.thickness, letter.shape, order=0)
    inner = np.s_[2:-2, 3:-3]
    assert np.corrcoef(seen[inner].ravel(), letter[inner].ravel())[0, 1] > 0.95
    assert np.corrcoef(seen[inner].ravel(), letter[:, ::-1][inner].ravel())[0, 1] < 0.6

    # The same without any of our own mapping: the thick face points to low y (along x) or to high x (along
    # y).
    moves = program.moves
    wall = moves.kind == Kind.WALL
    x, y, z = moves.x[wall], moves.y[wall], moves.z[wall]
    top = z > 0.8 * z.max()
    if axis == "x":
        assert y[top].min() < y.max() - 2.0  # toward the viewer, who stands at low y
        face = y[top] < y.max() - 1.6
        left = x[top][face].mean()
        assert left < (x.min() + x.max()) / 2, "the letter's stem is on the viewer's left"
    else:
        face = x[top] > x.min() + 1.6
        left = y[top][face].mean()
        assert left < (y.min() + y.max()) / 2


def test_the_same_input_gives_the_same_bytes(tmp_path):
    photo = source("camera", tmp_path)
    texts = []
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        for number in range(2):
            out = tmp_path / folder / f"{number}.gcode"
            make(photo, out, Job(width=20.0, brim=3.0, pixel=0.2, layer=0.2))
            texts.append(out.read_bytes())
    code = "import sys; from pathgen import Job, make; "
    code += "make(sys.argv[1], 'there.gcode', Job(width=20.0, brim=3.0, pixel=0.2, layer=0.2))"
    subprocess.run([sys.executable, "-c", code, str(photo)], cwd=tmp_path / "two", check=True)
    texts.append((tmp_path / "two" / "there.gcode").read_bytes())
    assert len(set(texts)) == 1


def test_the_size_of_blocks_does_not_show(tmp_path, monkeypatch):
    wall = waves(4, 60, 120)
    make(wall, tmp_path / "a.gcode", Job(brim=2.0))
    monkeypatch.setattr("pathgen.program.sequence.CELLS_PER_BLOCK", 1000)
    make(wall, tmp_path / "b.gcode", Job(brim=2.0))
    assert (tmp_path / "a.gcode").read_bytes() == (tmp_path / "b.gcode").read_bytes()


def test_one_bead_count_is_one_stroke_a_layer(tmp_path):
    result = make(np.full((30, 300), 1.26), tmp_path / "plate.gcode", Job(rim_width=0, brim=0))
    assert (result.counts == 3).all()
    assert all(set(strokes.layer.tolist()) == {layer} for layer, strokes in result.samples.items())
    assert len(result.samples) == 3
    layers = len(result.planned.layers)
    assert result.tally.count[Kind.TRAVEL] <= layers + 2  # and the way to the start line and from it
    assert result.tally.count[Kind.LINK] == 0


def test_defaults_are_the_trades():
    """Common practice: 0.1 mm layers and pixels, 20 mm/s, 99 %, a 10 mm brim."""
    job = settle(Job()).job
    assert (job.layer, job.pixel, job.feed, job.packing, job.brim) == (0.1, 0.1, 20.0, 0.99, 10.0)


def test_a_120_mm_panel_takes_between_a_quarter_of_a_day_and_a_day(tmp_path):
    """Common practice: around 13 hours is nothing unusual. A tenth of its height stands for all of it."""
    result = make(
        source("camera", tmp_path), tmp_path / "a.gcode", Job(width=120.0, height=12.0, rim_width=0)
    )
    assert 6 * 3600 < result.summary.times.moving_time_s * 10 < 24 * 3600


def test_summary_is_flat_and_adds_up(tmp_path):
    result = make(waves(1, 80, 200), tmp_path / "a.gcode", Job(brim=2.0))
    facts = json.loads(json.dumps(result.summary.as_dict()))
    assert all(isinstance(v, str | int | float) for k, v in facts.items() if k not in ("notes", "overhangs"))
    kinds = sum(facts[f"time_{kind.name.lower()}_s"] for kind in Kind)
    assert facts["moving_time_s"] == pytest.approx(kinds, abs=1.0)
    machine = result.planned.setup.machine
    assert facts["time_s"] == pytest.approx(
        facts["moving_time_s"] + machine.heaters.warm_up + machine.heaters.homing, abs=1
    )
    volume = facts["filament_m"] * 1000 * filament_area(machine.hot_end.filament_diameter)
    assert facts["mass_g"] == pytest.approx(volume * result.planned.setup.material.density * 1e-6, abs=0.01)
    lines = [
        line
        for line in (tmp_path / "a.gcode").read_text().split("; end")[0].splitlines()
        if line.startswith(("G0 ", "G1 "))
    ]
    assert facts["moves"] == len(lines) - 1  # the start block has one


def test_a_slow_controller_gets_coarser_moves_and_hears_of_it(tmp_path):
    import msgspec

    from pathgen.settings import load_machine

    slow = msgspec.structs.replace(load_machine("moving-table"), blocks_per_second=80.0)
    planned = plan_panel(np.full((100, 100), 1.5), Job(brim=0.0), slow)
    assert planned.setup.light.pixel == pytest.approx(0.25)
    assert "80 moves per second" in planned.notes[0]
    assert planned.panel.width == pytest.approx(16.0, abs=0.5)
    hasty = plan_panel(np.full((100, 100), 1.5), Job(brim=0.0, first_feed=40.0), slow)
    assert hasty.setup.light.pixel == pytest.approx(0.5), "the first layer counts too"


def test_the_program_is_never_written_over_its_picture(tmp_path):
    """The error comes before the picture is read, and the file stays as it was."""
    source = tmp_path / "picture.png"
    source.write_bytes(b"no picture, so that reading it would be another error")
    before = source.read_bytes()
    for given in (source, str(source)):
        with pytest.raises(PathgenError, match=r"picture\.png") as caught:
            make(given, source, Job(**SMALL))
        assert "input" in str(caught.value) or "overwrite" in str(caught.value)
    assert source.read_bytes() == before and list(tmp_path.iterdir()) == [source]
