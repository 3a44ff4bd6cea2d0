"""From tones to thickness: what is worked out for each tone, and what for the picture as it will look."""

import numpy as np
import pytest

from pathgen import Job, PathgenError, make, plan_panel, replay
from pathgen.optics import law
from pathgen.optics.predict import viewed
from pathgen.picture import lightness
from pathgen.plan.toning import thickness_of
from pathgen.proof.compare import Effects
from pathgen.settings import load_material, settle


def picture_of(tmp_path, values):
    from PIL import Image

    path = tmp_path / "picture.png"
    Image.fromarray(np.rint(255 * values).astype(np.uint8)).save(path)
    return path


def stripes(rows=160, cols=240):
    """Line pairs from 5 mm down to 1.2 mm, slanted so that u and z differ, over a soft slope."""
    z, u = np.mgrid[0:rows, 0:cols] / 10.0
    spacing = np.interp(u, [0, cols / 10], [5.0, 1.2])
    return np.clip(
        0.5 + 0.08 * np.sign(np.sin(2 * np.pi * (u + 0.2 * z) / spacing)) + 0.1 * (z / 16 - 0.5), 0, 1
    )


def spread_material(width):
    import msgspec

    material = load_material("pla-white")
    light = msgspec.structs.replace(material.light, spread=width)
    return msgspec.structs.replace(material, light=light)


def test_the_picture_aimed_at_is_nearer_to_the_wanted_one_in_the_written_program(tmp_path):
    """Both programs are read back, smeared by the nozzle and lit through a wall that spreads light."""
    photo, material = picture_of(tmp_path, stripes()), spread_material(0.2)
    errors = {}
    for aim in ("tone", "picture"):
        out = tmp_path / f"{aim}.gcode"
        job = Job(width=24.0, rim_width=2.0, brim=0.0, aim=aim)
        result = make(photo, out, job, material=material)
        found = replay(out, material=material, effects=Effects(smear=True, spread=0.2))
        shows = np.s_[25:-25, 25:-25]
        if aim == "tone":
            plain = law(material.light).transmittance(result.planned.panel.thickness)
            wanted = lightness(plain / law(material.light).transmittance(0.8))[shows]
        errors[aim] = float(np.sqrt(np.mean((lightness(found.picture)[shows] - wanted) ** 2)))
        if aim == "picture":
            assert any(note.startswith("compensated for blur") for note in result.planned.notes)
            assert result.planned.panel.thickness.max() <= 4.0 + 1e-9
    assert errors["picture"] < 0.75 * errors["tone"]


def test_the_prediction_from_the_text_is_that_from_the_map(tmp_path):
    """RMS 0.5 L* outside the ends: the map's prediction through nozzle and spread, against the program's."""
    photo, material = picture_of(tmp_path, stripes()), spread_material(0.15)
    out = tmp_path / "panel.gcode"
    planned = make(photo, out, Job(width=24.0, brim=0.0), material=material).planned
    found = replay(out, material=material, effects=Effects(smear=True, spread=0.15))
    expected = viewed(planned.panel.thickness, law(material.light), 0.1, 0.0, 0.4, (0.15, 0.0), thinnest=0.8)
    inner = np.s_[:, 10:-10]
    ours = found.deposited.upright(len(planned.panel.thickness))
    lit = lightness(found.backlight(ours))[inner]
    by_material = replay(out, material=material, effects=Effects(smear=True, by_material=True))
    assert np.abs(lightness(by_material.backlight(ours))[inner] - lit).max() < 0.1
    assert np.sqrt(np.mean((lit - lightness(expected)[inner]) ** 2)) < 0.5


def test_a_panel_turned_on_its_side_is_compensated_along_its_own_bore(tmp_path):
    photo = picture_of(tmp_path, stripes())
    upright, lying = (
        plan_panel(photo, Job(width=24.0, brim=0.0, aim="picture", turn=turn)).panel for turn in (0, 90)
    )
    same = upright.thickness
    seen_so = lying.view.upright(lying.thickness)
    assert seen_so.shape == same.shape
    assert np.abs(seen_so - same)[40:-40, 40:-40].max() > 0.05  # another direction is blurred


def test_tones_that_do_not_fit_keep_their_detail():
    """Stripes darker than this plastic's black: clipped they vanish, kept local they stay."""
    shade = 0.02 + 0.01 * (np.arange(200) // 10 % 2)
    shown = np.vstack([np.tile(shade, (60, 1)), np.full((60, 200), 0.9)])
    found = {}
    for tones in ("global", "local", "clip"):
        from pathgen.panel import View

        thickness, notes = thickness_of(shown, settle(Job(tones=tones)), View())
        found[tones] = float(np.abs(np.diff(thickness[30])).max())
        assert any(note.startswith(f"tones = {tones}") for note in notes) == (tones != "global")
    assert found["clip"] < 1e-6
    assert found["local"] > 1.5 * found["global"] > 0


@pytest.mark.parametrize("job", [{"aim": "picture"}, {"tones": "local"}])
def test_a_map_is_made_as_it_is(job):
    with pytest.raises(PathgenError, match="the source is a thickness map"):
        plan_panel(np.full((40, 60), 1.5), Job(**job))


def test_dither_keeps_to_motor_steps_and_the_mean(tmp_path):
    """On this machine a step shows; layer by layer the plastic stays what it was to a step a column."""
    slope = np.tile(np.linspace(1.0, 1.4, 200), (120, 1))
    free, settled = (
        plan_panel(slope, Job(dither=dither, brim=0.0, rim_width=0.0)) for dither in ("off", "diffused")
    )
    (note,) = (note for note in settled.notes if note.startswith("one motor step is "))
    step = float(note.split()[4])
    values = np.unique(settled.panel.thickness)
    assert len(values) < 12 and np.abs(np.diff(values) / step - np.round(np.diff(values) / step)).max() < 0.02
    assert settled.panel.thickness.mean() == pytest.approx(free.panel.thickness.mean(), abs=0.005)
    assert np.abs(settled.panel.thickness - free.panel.thickness).max() <= 2 * step
