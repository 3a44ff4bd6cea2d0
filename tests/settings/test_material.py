"""What a material's [light] and [viewing] may say."""

import pytest

from pathgen.errors import PathgenError
from pathgen.settings import load_material, material_names, profile_text
from pathgen.settings.material import Exponential, Material, Table, TwoFlux, Viewing
from pathgen.settings.validation import plain, typed

WEDGE = {"law": "table", "thickness": [0.4, 0.8, 1.6, 3.0], "transmittance": [0.55, 0.36, 0.19, 0.06]}


def material(light=None, **tables):
    values = plain(load_material("pla-white"))
    values["light"] = light or WEDGE
    return typed(values | tables, Material, "my.toml")


def refusal(light, **tables):
    with pytest.raises(PathgenError) as caught:
        material(light, **tables)
    text = str(caught.value)
    assert text.isprintable()
    return text


def test_a_table_from_toml(tmp_path):
    text = profile_text("pla-white").split("[light]")[0]
    text += (
        '[light]\nlaw = "table"\nthickness = [0.4, 0.8, 1.6, 3]\ntransmittance = [0.55, 0.36, 0.19, 0.06]\n'
    )
    (tmp_path / "my.toml").write_text(text)
    light = load_material(tmp_path / "my.toml").light
    assert light == Table(thickness=(0.4, 0.8, 1.6, 3.0), transmittance=(0.55, 0.36, 0.19, 0.06))
    assert plain(load_material(tmp_path / "my.toml"))["light"]["law"] == "table"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {"thickness": [0.4, 1.6, 0.8, 3.0]},
            ["thickness 0.8 comes after 1.6", "light.thickness[2]", "in increasing order"],
        ),
        ({"thickness": [0.4, 0.4, 0.8, 3.0]}, ["thickness 0.4 comes after 0.4", "light.thickness[1]"]),
        ({"thickness": [1e-20, 0.4, 0.8, 3.0]}, ["light.thickness[0]", "allowed: 0, or 0.001 to 100 mm"]),
        ({"thickness": [0.0, 0.0009, 0.8, 3.0]}, ["thickness[1] is 0.0009", "0.001 to"]),
        ({"transmittance": [0.5, 0.3, 0.3, 0.1]}, ["0.3 at 1.6 mm comes after 0.3", "in decreasing order"]),
        (
            {"transmittance": [0.1, 0.3, 0.5, 0.7]},
            ["0.3 at 0.8 mm comes after 0.1", "light.transmittance[1]"],
        ),
        (
            {"transmittance": [0.5, 0.3, 0.1]},
            ["4 thicknesses but 3 transmittances", "one transmittance for each"],
        ),
        ({"thickness": [0.4, 0.8, 3.0], "transmittance": [0.5, 0.3, 0.1]}, ["3 thicknesses", "at least 4"]),
        ({"thickness": [], "transmittance": []}, ["0 thicknesses", "at least 4"]),
        ({"transmittance": [1.0, 0.3, 0.2, 0.1]}, ["light.transmittance[0]", "less than 1", "0.4 mm thick"]),
        ({"transmittance": [0.5, 0.3, 0.2, 0.0]}, ["my.toml", "transmittance[3] is 0", "more than 0"]),
        ({"transmittance": [50.0, 30.0, 20.0, 10.0]}, ["transmittance[0] is 50", "at most 1"]),
        ({"thickness": [-0.4, 0.8, 1.6, 3.0]}, ["thickness[0] is -0.4", "at least 0"]),
        ({"thickness": [400, 800, 1600, 3000]}, ["is 400", "at most 100 mm"]),
        ({"thickness": 0.4}, ["thickness is 0.4", "an array; each item: a number"]),
        ({"thickness": ["0.4", 0.8, 1.6, 3.0]}, ["thickness[0] is '0.4'", "write numbers without quotes"]),
        ({"length": 1.2}, ["unknown key 'length'", "law, thickness, transmittance"]),
        ({"valid": [3.0, 0.4]}, ["valid is [3.0, 0.4]", "light.valid", "low < high"]),
        ({"valid": [-1.0, 0.4]}, ["valid is [-1.0, 0.4]", "0 ≤ low"]),
        ({"error": 2}, ["error is 2", "80 % is 0.8"]),
        ({"spread": -0.1}, ["spread is -0.1", "at least 0 and at most 20 mm"]),
        ({"spread_growth": 20}, ["spread_growth is 20", "at most 10 mm per mm"]),
    ],
    ids=lambda case: str(case)[:40],
)
def test_what_is_no_table(changes, said):
    text = refusal(WEDGE | changes)
    for part in said:
        assert part in text, text


def test_records_made_in_python_are_checked_too():
    with pytest.raises(PathgenError, match="thicknesses in increasing order"):
        Table(thickness=(1.0, 0.5, 2.0, 3.0), transmittance=(0.5, 0.4, 0.3, 0.2))
    with pytest.raises(PathgenError, match="light.valid"):
        Exponential(length=1.0, valid=(2.0, 1.0))


def test_a_step_at_thickness_0_may_let_everything_through():
    light = material({**WEDGE, "thickness": [0, 0.8, 1.6, 3.0], "transmittance": [1, 0.36, 0.19, 0.06]}).light
    assert light.transmittance[0] == 1.0


@pytest.mark.parametrize("name", material_names())
def test_shipped_materials_claim_nothing_that_was_not_measured(name):
    light = load_material(name).light
    assert isinstance(light, TwoFlux)
    assert (light.error, light.spread, light.spread_growth, light.valid) == (None, 0.0, 0.0, (0.0, 100.0))
    assert load_material(name).viewing == Viewing()


def test_viewing_may_be_left_out_or_given_in_part():
    assert material().viewing == Viewing()
    assert material(viewing={"room": 0}).viewing == Viewing(room=0.0)
    assert "room is -1" in refusal(None, viewing={"room": -1})
    text = refusal(None, viewing={"lux": 3})
    assert "unknown key 'lux'" in text and "luminance, evenness, room, reflectance" in text
