"""`pathgen fit` from the command line: readings become a material that makes a panel."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pathgen.cli import run
from pathgen.optics.laws import TwoFluxLaw, law
from pathgen.settings import load_material, profile_text

T = np.arange(0.4, 4.01, 0.3)


def wedge(folder, through=None, name="wedge.csv", seed=0, noise=0.02, slip=None, bare=True):
    """Write noisy readings of a wedge, five per step; the last reading of step `slip` is doubled."""
    random = np.random.default_rng(seed)
    through = TwoFluxLaw(0.12, 1.8, 0.97).transmittance if through is None else through
    steps = [*[0.0] * 4, *T] if bare else [*T]
    lux = 2000 * through(np.array(steps))
    if bare:
        lux[:4] = 2000
    read = lux[:, None] * (1 + noise * random.standard_normal((len(steps), 5)))
    if slip is not None:
        read[slip, 4] *= 2
    lines = ["thickness_mm" + ",reading_lux" * 5]
    lines += [f"{t:.1f}," + ",".join(f"{x:.2f}" for x in row) for t, row in zip(steps, read, strict=True)]
    (Path(folder) / name).write_text("\n".join(lines) + "\n")
    return str(Path(folder) / name)


def json_of(capsys, *args):
    capsys.readouterr()
    assert run(["fit", *map(str, args), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def rejected(capsys, *args, code=1):
    capsys.readouterr()
    assert run(["fit", *map(str, args)]) == code
    text = capsys.readouterr().err
    assert text.startswith("error: ") and text.count("\n") == 1
    return text


def test_a_wedge_becomes_a_material_that_panel_takes(tmp_path, capsys):
    out = tmp_path / "spool-7.toml"
    assert run(["fit", wedge(tmp_path), "--material", "pla-white", "--out", str(out)]) == 0
    shown = capsys.readouterr().out
    assert "two-flux law: absorption" in shown and "just-noticeable steps" in shown
    material = load_material(out)
    assert material.name == "spool-7" and material.light.valid == (0.4, 4.0)
    between = np.linspace(0.4, 4.0, 50)
    true = TwoFluxLaw(0.12, 1.8, 0.97).transmittance(between)
    np.testing.assert_allclose(law(material.light).transmittance(between), true, rtol=0.03)
    Image.fromarray(np.tile(np.linspace(0, 255, 60, dtype=np.uint8), (40, 1))).save(tmp_path / "quay.png")
    panel = ["panel", str(tmp_path / "quay.png"), "--out", str(tmp_path / "quay.gcode"), "--width", "30"]
    assert run([*panel, "--material", str(out)]) == 0
    assert "spool-7" in (tmp_path / "quay.gcode").read_text()[:2000]


def test_the_rest_of_the_file_is_kept(tmp_path, capsys):
    mine = (
        profile_text("pla-white")
        .replace("spread = 0.0", "spread = 0.07")
        .replace("room = 100.0", "room = 20")
    )
    (tmp_path / "mine.toml").write_text(mine)
    out = tmp_path / "fitted.toml"
    assert run(["fit", wedge(tmp_path), "--material", str(tmp_path / "mine.toml"), "--out", str(out)]) == 0
    text = out.read_text()
    light = text[text.index("[light]") : text.index("[viewing]")]
    for line in mine.splitlines():
        own = line.startswith(("name", "about", "# TYPICAL", "absorption", "scattering", "t0"))
        assert own or line in text.splitlines(), line
    assert "not measured" not in text.lower().replace("0: not measured", "")
    for part in (
        "# Fitted to 65 measurements of 13 thicknesses, 0.4 to 4 mm (wedge.csv).",
        "# RMS residual",
        "95 %",
    ):
        assert part in light
    assert load_material(out).viewing.room == 20 and load_material(out).light.spread == 0.07
    again = tmp_path / "again.toml"
    assert run(["fit", wedge(tmp_path), "--material", str(out), "--out", str(again)]) == 0
    assert again.read_text() == text.replace('name = "fitted"', 'name = "again"')


@pytest.mark.parametrize("name", ["exponential", "two-flux", "table"])
def test_every_law_can_be_written(name, tmp_path, capsys):
    out = tmp_path / "my.toml"
    facts = json_of(capsys, wedge(tmp_path), "--material", "petg-white", "--out", out, "--law", name)
    light = load_material(out).light
    assert facts["law"] == name and facts["error_share"] == light.error
    ends = law(light).transmittance([0.4, 4.0])
    assert ends == pytest.approx([facts["transmittance_thinnest"], facts["transmittance_thickest"]], abs=1e-5)


def test_one_flat_object(tmp_path, capsys):
    facts = json_of(capsys, wedge(tmp_path), "--material", "pla-white", "--out", tmp_path / "my.toml")
    assert not any(isinstance(value, dict) for value in facts.values())
    assert facts["measured"] == "wedge.csv" and facts["material"] == "my" and facts["absolute"] is True
    assert (facts["readings"], facts["thicknesses"], facts["thickest_mm"]) == (65, 13, 4.0)
    assert facts["absorption_low_per_mm"] < facts["absorption_per_mm"] < facts["absorption_high_per_mm"]
    assert facts["aicc_two_flux"] < facts["aicc_exponential"]
    assert facts["rms_residual_share"] == pytest.approx(0.02, rel=0.3)
    assert facts["outlier_lines"] == [] and facts["notes"] == []


def test_outliers_and_dropped_readings_are_named(tmp_path, capsys):
    path = wedge(tmp_path, slip=10)  # the twelfth line
    with open(path, "a") as file:
        file.write("5.0,0,0,0,0,0\n")
    out = tmp_path / "my.toml"
    assert run(["fit", path, "--material", "pla-white", "--out", str(out)]) == 0
    shown = capsys.readouterr().out
    assert "outlier: line 12, " in shown and " lux at 2.2 mm, +" in shown
    assert "note: 5 measurements at 5 mm dropped: not brighter than the dark measurement" in shown
    assert "without 1 outliers" in out.read_text()


def test_a_material_is_never_called_as_a_shipped_one(tmp_path, capsys):
    """Otherwise `replay` would use the shipped law for a program that names this material."""
    out = tmp_path / "pla-white.toml"
    json_of(capsys, wedge(tmp_path), "--material", "pla-white", "--out", out)
    assert load_material(out).name == "pla-white fitted"


def test_the_plot_and_the_same_twice(tmp_path, capsys):
    contents = []
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        out, plot = tmp_path / folder / "my.toml", tmp_path / folder / "my.png"
        assert (
            run(["fit", wedge(tmp_path), "--material", "pla-white", "--out", str(out), "--plot", str(plot)])
            == 0
        )
        contents.append((out.read_bytes(), plot.read_bytes()))
    assert contents[0] == contents[1]
    with Image.open(tmp_path / "a" / "my.png") as picture:
        assert picture.size == (860, 760)


def test_errors_are_one_line_and_write_nothing(tmp_path, capsys):
    good, out = wedge(tmp_path), tmp_path / "my.toml"
    bad = tmp_path / "bad.csv"
    bad.write_text("thickness_mm,reading_lux\n0.4,300\n0.8,dim\n")
    to = ["--material", "pla-white", "--out", out]
    assert "reading_lux is 'dim' (" in (text := rejected(capsys, bad, *to)) and "line 3" in text
    assert "no such file" in rejected(capsys, tmp_path / "none.csv", *to)
    assert "unknown material 'pla-wite'" in rejected(capsys, good, "--material", "pla-wite", "--out", out)
    assert "must end in" in rejected(capsys, good, "--material", "pla-white", "--out", good, code=2)
    few = ["--floor", "1000"]
    assert "at least 4" in rejected(capsys, good, *to, *few)
    inline = tmp_path / "inline.toml"
    text = profile_text("pla-white")
    light = 'light = {law = "exponential", length = 1.0}\n'
    inline.write_text(light + text[: text.index("[light]")])
    assert "header [light]" in rejected(capsys, good, "--material", inline, "--out", out)
    rejected(capsys, good, "--material", "pla-white", code=2)
    rejected(capsys, good, *to, "--law", "linear", code=2)
    assert not out.exists() and not list(tmp_path.glob(".*part"))


def test_without_a_plot_nothing_is_drawn_with(tmp_path):
    path = wedge(tmp_path)
    code = (
        "import sys; from pathgen.cli import run;"
        f"code = run(['fit', {path!r}, '--material', 'pla-white', '--out', {str(tmp_path / 'my.toml')!r}]);"
        "sys.exit(code or ('matplotlib' in sys.modules and 'loaded') or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_help_keeps_the_columns_on_lines_of_their_own(capsys):
    assert run(["fit", "--help"]) == 0
    lines = [line.split()[0] for line in capsys.readouterr().out.splitlines() if line.strip()]
    assert {"thickness_mm", "reading_UNIT", "reference_UNIT", "dark_UNIT"} <= set(lines)
