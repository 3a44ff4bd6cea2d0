"""Names, files, defaults, contradictions with the job, and the digest."""

from __future__ import annotations

import math
import os
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.settings import (
    Job,
    Machine,
    Material,
    Setup,
    TwoFlux,
    digest,
    job_from,
    load_job,
    load_machine,
    load_material,
    machine_names,
    material_names,
    profile_text,
    settle,
)
from pathgen.settings.loading import parse_table
from pathgen.settings.validation import plain, typed

SHIPPED = Path(__file__).parents[2] / "machines"
BOTH = [(machine, material) for machine in machine_names() for material in material_names()]


def changed(record, key, value):
    """Copy a record with one value, named by its dotted path, replaced."""
    values = plain(record)
    table = values
    *path, leaf = key.split(".")
    for name in path:
        table = table[name]
    assert leaf in table, f"{key} is no key: the case tests nothing"
    table[leaf] = value
    return typed(values, type(record), "changed")


def refusal(call, *args, **kwargs):
    with pytest.raises(PathgenError) as caught:
        call(*args, **kwargs)
    text = str(caught.value)
    assert "\n" not in text and text.isprintable()
    return text


# -- shipped profiles ---------------------------------------------------------------------------------------


def test_names():
    assert machine_names() == ["long-tube", "moving-gantry", "moving-table", "ngc-lab"]
    assert material_names() == ["petg-white", "pla-natural", "pla-white"]


@pytest.mark.parametrize("name", machine_names())
def test_a_machine_is_called_what_its_file_is(name):
    machine = load_machine(name)
    assert machine.name == name
    assert machine == load_machine(SHIPPED / f"{name}.toml")
    assert "typical values" in (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", material_names())
def test_a_material_is_called_what_its_file_is(name):
    assert load_material(name).name == name
    text = (SHIPPED / "materials" / f"{name}.toml").read_text(encoding="utf-8")
    assert "NOT MEASURED" in text  # no law is passed off as a measurement


@pytest.mark.parametrize(("machine", "material"), BOTH)
def test_every_pair_settles(machine, material):
    setup = settle(Job(machine=machine, material=material))
    left_open = {key for key in Job.__struct_fields__ if getattr(setup.job, key) is None}
    may_stay = {
        "red",
        "green",
        "blue",
        "trim",
        "feather",
        "wedge_height",
        "wedge_at",
        "foot",
        "line_thickness",
        "eyelet_at",
        "support_feed",
        "within",
    }
    assert left_open == {"width", "height"} | may_stay
    assert setup.heat.nozzle_temperature == setup.material.temperature.nozzle


def test_kinds_of_machine():
    benchtop, gantry, classroom, ngc = (
        load_machine(n) for n in ("moving-table", "moving-gantry", "long-tube", "ngc-lab")
    )
    assert [m.platform_axis for m in (benchtop, gantry, classroom, ngc)] == ["y", "none", "none", "none"]
    assert classroom.hot_end.filament_diameter == 2.85 and classroom.dialect.filament_unit == "mm3"
    assert ngc.dialect.extruder == "A" and ngc.dialect.own_words == ()


@pytest.mark.parametrize("name", ["pla-white", "pla-natural"])
def test_pla_against_handbook(name):
    # Front. Chem. 1:32 (2013), Table 2: modulus 3.3 to 4.3 GPa, glass transition 56 to 61 °C.
    # Density: materials database pages.
    pla = load_material(name)
    assert 3.3 <= pla.modulus <= 4.3 and 56 <= pla.temperature.glass_transition <= 61
    assert pla.density == 1240


def test_petg_against_handbook():
    # Materials database pages: 2.1 to 2.2 GPa, glass transition 81 °C, 1270 kg/m³.
    petg = load_material("petg-white")
    assert 2.1 <= petg.modulus <= 2.2 and petg.temperature.glass_transition == 81 and petg.density == 1270


def test_natural_pla_lets_more_light_through():
    def through(name, x):
        law = load_material(name).light
        assert isinstance(law, TwoFlux)
        # Kubelka, J. Opt. Soc. Am. 38, 448 (1948)
        a = 1 + law.absorption / law.scattering
        b = math.sqrt(a * a - 1)
        bsx = b * law.scattering * x
        return law.t0 * b / (a * math.sinh(bsx) + b * math.cosh(bsx))

    for x in (0.8, 1.5, 3.0):
        assert through("pla-natural", x) > through("pla-white", x) > 0
    # Arithmetic of the same source for K 0.1, S 2 at 1 mm.
    assert through("pla-white", 1.0) == pytest.approx(0.2891367, abs=1e-6)


def test_profiles_are_found_inside_a_wheel_first(tmp_path, monkeypatch):
    package = tmp_path / "pathgen"
    monkeypatch.setattr("pathgen.settings.loading.PACKAGE", package)
    assert "shipped profiles are missing" in refusal(machine_names)
    for folder, name in ((tmp_path / "machines", "beside"), (package / "machines", "inside")):
        (folder / "materials").mkdir(parents=True)
        (folder / f"{name}.toml").write_bytes((SHIPPED / "ngc-lab.toml").read_bytes())
        assert machine_names() == [name]


# -- names and files ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("load", "name", "said"),
    [
        (
            load_machine,
            "moving-tabel",
            ("'moving-tabel'", "'moving-table'?", "pathgen machines", "ngc-lab"),
        ),
        (load_machine, "Moving-Gantry", ("'Moving-Gantry'", "'moving-gantry'?", "pathgen machines")),
        (load_machine, "gantry", ("'gantry'", "'moving-gantry'?")),
        (load_machine, "", ("unknown machine ''", "pathgen machines")),
        (load_machine, "a\x1b[31m\n", (r"'a\x1b[31m\n'",)),
        (load_material, "pla-wite", ("unknown material 'pla-wite'", "'pla-white'?", "petg-white")),
        (load_machine, "ngc-lab.toml", ("no such file (ngc-lab.toml)", "write ngc-lab without .toml")),
        (load_machine, "nowhere/mine.toml", ("no such file (nowhere/mine.toml)",)),
        (load_machine, "zero\0byte.toml", ("cannot be read",)),
        (load_job, "nowhere.toml", ("no such file (nowhere.toml)",)),
    ],
)
def test_unknown_names_and_files(load, name, said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    text = refusal(load, name)
    for part in said:
        assert part in text


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"layer = 0.1\nfeed = 20\xff\n", ("line 2", "0xff", "UTF-8")),
        ("layer = 0.1".encode("utf-16"), ("line 1", "not UTF-8")),
        (b"layer = 0.1\nthinnest = 0,8\n", ("line 2", "thinnest = 0,8", "write decimals with a point")),
        (b"layer = 0.1\n\nfill = tailored\n", ("line 3", "fill = tailored", "write text in quotes")),
        (b"layer = 0.1\nlayer = 0.2\n", ("line 2", "layer = 0.2", "not TOML")),
        (b"\n[feed\n", ("line 2", "[feed")),
        (b"layer = " + b"9" * 5000, ("line 1", "not TOML")),
        (b"layer = " + b"[" * 5000, ("nested too deeply",)),
        (b"#" * (1 << 20) + b"\n", ("1 MiB",)),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", ("line 1", "not UTF-8")),
        (b"G21\nG90\n", ("line 1", "G21", "not TOML")),
    ],
)
def test_what_is_no_toml(content, said, tmp_path):
    path = tmp_path / "job.toml"
    path.write_bytes(content)
    text = refusal(load_job, path)
    for part in (str(path), *said):
        assert part in text


def test_a_folder_and_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    assert "a folder, not a file" in refusal(load_machine, tmp_path)

    def closed(*_args, **_kwargs):
        raise PermissionError(13, os.strerror(13))

    monkeypatch.setattr("builtins.open", closed)  # tests may run as root, whom no file mode keeps out
    assert "cannot be read: Permission denied" in refusal(load_job, tmp_path / "job.toml")


def test_editors_leave_marks(tmp_path):
    path = tmp_path / "job.toml"
    path.write_bytes(b"\xef\xbb\xbflayer = 0.15\r\nfeed = 30\r\n")  # byte order mark, CR LF, whole number
    assert load_job(path) == Job(layer=0.15, feed=30.0)
    path.write_bytes(b"")
    assert load_job(path) == Job()


def test_a_job_finds_profiles_beside_itself(tmp_path, monkeypatch):
    (tmp_path / "mine.toml").write_bytes((SHIPPED / "moving-gantry.toml").read_bytes())
    (tmp_path / "job.toml").write_text('machine = "mine.toml"\nmaterial = "pla-natural"\n')
    monkeypatch.chdir("/")
    job = load_job(tmp_path / "job.toml")
    assert settle(job).machine.name == "moving-gantry" and job.material == "pla-natural"


def test_a_profiles_text_is_a_profile(tmp_path):
    copy = tmp_path / "copy.toml"
    copy.write_text(profile_text("ngc-lab"), encoding="utf-8")
    assert load_machine(copy) == load_machine("ngc-lab")
    copy.write_text(profile_text("petg-white"), encoding="utf-8")
    assert load_material(copy) == load_material("petg-white")
    for name in ("petg", "../machines/ngc-lab", "ngc-lab.toml"):
        text = refusal(profile_text, name)
        assert f"unknown profile '{name}'" in text and "ngc-lab" in text and "petg-white" in text


# -- job_from -----------------------------------------------------------------------------------------------


def test_job_from_options():
    job = job_from({"width": "80", "layer": 0.12, "axis": "y", "height": None}, "command line")
    assert job == Job(width=80.0, layer=0.12, axis="y")
    assert job_from({"feed": "25"}, "command line", base=job) == Job(
        width=80.0, layer=0.12, axis="y", feed=25.0
    )
    assert job_from({}, "command line") == Job()


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"widht": "3"}, ("unknown key 'widht'", "did you mean 'width'?", "--help lists them")),
        ({"width": "0,8"}, ("width is '0,8'", "at most 2000 mm", "write decimals with a point, as in 0.8")),
        ({"width": "wide"}, ("width is 'wide'", "a number, more than 0")),
        ({"width": "-1"}, ("width is '-1'", "more than 0")),
        ({"change_cost": "inf"}, ("change_cost is", "inf", "at most 100")),
        ({"rim_width": "nan"}, ("rim_width is", "nan")),
        ({"rim_width": "1e-320"}, ("rim_width is 9.99988867e-321", "0, or a magnitude of at least 1e-30")),
        ({"rim_width": math.nan}, ("rim_width is nan", "a finite number")),
        ({"axis": "z"}, ("axis is 'z'", "'auto' or 'x' or 'y'")),
        ({"first_layer": True}, ("first_layer is True", "at least 0.05 and at most 1 mm")),
        ({"layer": True}, ("layer is True", "0.02 to 1 mm, or 'auto'")),
        ({"thickest": [3]}, ("thickest is [3]", "at most 20 mm")),
        ({"feed": "1200"}, ("feed is '1200'", "at most 1000 mm/s")),
        ({"feed": 1200}, ("feed is 1200", "divide mm/min by 60")),
        ({"platform_temperature": "-1"}, ("platform_temperature is '-1'", "at least 0 and at most 200 °C")),
        ({3: "x"}, ("unknown key '3'",)),
    ],
)
def test_job_from_refuses(values, said):
    text = refusal(job_from, values, "command line")
    for part in ("command line: ", *said):
        assert part in text


# -- settle -------------------------------------------------------------------------------------------------


def test_defaults_come_from_machine_and_material():
    setup = settle(Job(thickest=2.5))
    job = setup.job
    assert (job.spacing, job.spacing_min, job.spacing_max) == (
        0.42,
        0.28,
        0.62,
    )  # 1.05, 0.70, 1.55 times 0.4 mm
    assert job.rim_thickness == 3.5
    assert (job.nozzle_temperature, job.platform_temperature) == (205.0, 60.0)
    wide = settle(Job(), changed(load_machine("moving-table"), "hot_end.nozzle_diameter", 0.6)).job
    assert (wide.spacing, wide.spacing_min, wide.spacing_max) == (0.63, 0.42, 0.93)


def test_what_is_given_is_kept():
    given_all = Job(
        spacing=0.45,
        spacing_min=0.3,
        spacing_max=0.6,
        rim_thickness=2.0,
        feed=25.0,
        packing=1.0,
        overhang=50.0,
        nozzle_temperature=190,
        platform_temperature=0,
    )
    setup = settle(given_all)
    assert setup.job == given_all
    assert settle(setup.job, setup.machine, setup.material) == setup


def test_a_platform_without_heater_stays_cold():
    machine = load_machine("long-tube")
    cold = changed(machine, "heaters.platform_max", 0)
    assert settle(Job(), cold).job.platform_temperature == 0
    text = refusal(settle, Job(platform_temperature=50), cold)
    assert "platform_temperature is 50" in text and "has no heater" in text


@pytest.mark.parametrize(
    ("job", "said"),
    [
        (Job(thinnest=3.0), ("thinnest is 3", "less than thickest, 3 mm")),
        (Job(thinnest=4.0), ("thinnest is 4", "less than thickest")),
        (Job(thinnest=0.2), ("thinnest is 0.2", "at least spacing_min, 0.28 mm")),
        (Job(layer=0.33), ("layer is 0.33", "at most 0.32 mm, 80 % of the nozzle diameter of 0.4 mm")),
        (Job(first_layer=0.4), ("first_layer is 0.4", "at most 0.32 mm")),
        (Job(width=0), ("width is 0", "more than 0")),
        (Job(width=-5.0), ("width is -5", "more than 0")),
        (Job(height=math.nan), ("height is nan", "a finite number")),
        (Job(width=math.inf), ("width is inf", "a finite number")),
        (Job(width=3000.0), ("width is 3000", "at most 2000 mm")),
        (Job(width=20.0, rim_width=10.0), ("rim_width is 10", "less than half of width, 10 mm")),
        (Job(height=5.0), ("rim_width is 3", "less than half of height, 2.5 mm")),
        (Job(height=0.2, rim_width=0), ("height is 0.2", "more than first_layer, 0.2 mm")),
        (Job(spacing=0.7), ("spacing is 0.7", "spacing_min to spacing_max, 0.28 to 0.62 mm")),
        (Job(spacing=0.2), ("spacing is 0.2", "0.28 to 0.62 mm")),
        (Job(spacing_min=0.7), ("spacing_min is 0.7", "less than spacing_max, 0.62 mm")),
        (Job(spacing_min=0.1), ("spacing_min is 0.1", "at least 0.157 mm")),
        (Job(spacing_max=0.0), ("spacing_max is 0", "more than 0 and at most 5 mm")),
        (Job(rim_thickness=-1.0), ("rim_thickness is -1", "more than 0")),
        (Job(feed=181.0), ("feed is 181", "at most 180 mm/s", "moving-table")),
        (Job(first_feed=181.0), ("first_feed is 181", "at most 180 mm/s")),
        (Job(feed=math.nan), ("feed is nan", "a finite number")),
        (Job(nozzle_temperature=170.0), ("nozzle_temperature is 170", "180 to 230 °C for pla-white")),
        (Job(nozzle_temperature=235.0), ("nozzle_temperature is 235", "180 to 230 °C for pla-white")),
        (Job(material="petg-white", nozzle_temperature=250.0), ("is 250", "at most 240 °C on moving-table")),
        (Job(platform_temperature=80.0), ("platform_temperature is 80", "at most 70 °C for pla-white")),
        (Job(nozzle_temperature=-1.0), ("nozzle_temperature is -1", "at most 500 °C")),
        (Job(machine="movinggantry"), ("unknown machine 'movinggantry'", "'moving-gantry'?")),
        (Job(material="pla"), ("unknown material 'pla'", "did you mean 'pla-natural'?")),
        (Job(axis="z"), ("axis is 'z'", "'auto' or 'x' or 'y'")),
        (Job(width=np.arange(3)), ("a field whose type cannot be stored in a file",)),
    ],
)
def test_contradictions(job, said):
    text = refusal(settle, job)
    for part in said:
        assert part in text


def test_bounds_themselves_are_allowed():
    bead = 0.28 / (math.pi / 4)  # highest layer at which a bead of the narrowest spacing is as wide as high
    setup = settle(Job(layer=0.32, first_layer=0.32, feed=180.0, thinnest=0.28, spacing=0.28, width=6.1))
    assert bead > 0.32 and setup.layers.layer == 0.32


def test_limits_hold_where_the_machine_heats_itself():
    hot = Job(machine="long-tube", material="petg-white", platform_temperature=95.0)
    assert "at most 90 °C for petg-white" in refusal(settle, hot)
    setup = settle(Job(machine="ngc-lab", nozzle_temperature=200.0))
    assert setup.heat.nozzle_temperature == 200.0


def test_records_made_in_python_are_checked_like_files():
    machine = msgspec.structs.replace(load_machine("ngc-lab"), travel_feed=math.inf)
    assert "machine 'ngc-lab': travel_feed" in refusal(settle, Job(), machine)
    machine = msgspec.structs.replace(load_machine("ngc-lab"), travel_feed=500.0)
    assert "machine ngc-lab: travel_feed" in refusal(settle, Job(), machine)
    material = msgspec.structs.replace(load_material("pla-white"), price=-1.0)
    assert "material 'pla-white': price" in refusal(settle, Job(), None, material)
    assert settle(Job(width=np.float64(80))).job.width == 80.0  # type of the value, not only its worth
    assert type(settle(Job(width=np.int64(80))).job.width) is float


# -- digest -------------------------------------------------------------------------------------------------


def leaves(values, path=()):
    for key, value in values.items():
        if isinstance(value, dict):
            yield from leaves(value, (*path, key))
        else:
            yield ".".join((*path, key)), value


OTHERS = {  # fields with a choice or a pattern, the law's tag aside
    "job.support_feed": 9.0,
    "job.axis": "y",
    "job.mirror": "yes",
    "job.invert": "yes",
    "job.tones": "local",
    "job.dither": "diffused",
    "job.aim": "picture",
    "job.pace": "steady-flow",
    "job.lead": "on",
    "job.direction": "across",
    "job.hairpins": "dry",
    "job.comb": "none",
    "job.slope": "minimum",
    "job.copies": 2,
    "job.turn": "auto",
    "job.relief": "away",
    "job.seam": "dark",
    "job.eyelet_at": [0.2, 0.8],
    "job.build": "in-turn",
    "job.wedge_at": [5.0],
    "job.within": "6h",
    "job.band": [{"above": 5.0, "feed": 30.0}],
    "machine.platform_axis": "x",
    "machine.junction.rule": "deviation",
    "machine.dialect.extruder": "A",
    "machine.dialect.filament_mode": "absolute",
    "machine.dialect.filament_unit": "mm3",
    "machine.dialect.comment": "parentheses",
    "machine.dialect.heaters": "machine",
    "machine.dialect.own_words": ["E"],
    "machine.dialect.own_effects": [["M73", "nothing"]],
    "machine.head": [{"x": [0, 1], "y": [0, 1], "z": 2}],
    "machine.keep_out": [{"x": [0, 1], "y": [0, 1]}],
    "material.light.law": "two-flux",
}


def other(key, value):
    """Give another value that the field's type takes."""
    if key in OTHERS:
        return OTHERS[key]
    if isinstance(value, list | tuple):
        return [value[0], value[1] + 1]
    if isinstance(value, str):
        return value + "2"
    if isinstance(value, int):
        return value - 1 if value else 1
    return value * 0.9 if value else 0.06


def digests_of_one_change(setup):
    parts = {"job": setup.job, "machine": setup.machine, "material": setup.material}
    for field, record in parts.items():
        for key, value in leaves(plain(record)):
            new = changed(record, key, other(f"{field}.{key}", value))
            yield f"{field}.{key}", digest(Setup.of(**parts | {field: new}))


def test_digest_counts_every_field():
    setup = settle(Job())
    base = digest(setup)
    found = dict(digests_of_one_change(setup))
    same = {key for key, value in found.items() if value == base}
    # Where profiles were found does not count; the law's name cannot change without its figures.
    assert same == {"job.machine", "job.material", "material.light.law"}
    assert len(found) > 90 and len(set(found.values())) == len(found) - len(same) + 1


def test_effects_are_those_of_listed_commands():
    machine = load_machine("moving-table")
    dialect = msgspec.structs.replace(machine.dialect, own_effects=(("M73", "nothing"),))
    with pytest.raises(PathgenError, match="own_words lists"):
        settle(Job(), msgspec.structs.replace(machine, dialect=dialect))


def test_digest_is_the_same_for_the_same_settings(tmp_path):
    base = digest(settle(Job()))
    assert len(base) == 16 and int(base, 16) >= 0
    assert base == digest(settle(Job(width=None, thickest=3)))  # a whole number is the same number
    copy = tmp_path / "copy.toml"
    copy.write_bytes((SHIPPED / "moving-table.toml").read_bytes())
    assert base == digest(settle(Job(machine=str(copy))))
    assert base != digest(settle(Job(width=100.0)))


# -- whatever is in the file --------------------------------------------------------------------------------

scalars = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.dates(),
    st.binary(max_size=3),
)
keys = st.one_of(
    st.text(max_size=6),
    st.sampled_from(
        ["x", "axes", "feed", "dialect", "start", "light", "law", "keep_out", "volume", "temperature"]
    ),
)
trees = st.recursive(
    scalars,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(keys, inner, max_size=4)),
    max_leaves=12,
)
QUICK = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@QUICK
@given(
    content=st.one_of(
        st.binary(max_size=60), st.text(max_size=60).map(lambda t: t.encode("utf-8", "replace"))
    )
)
def test_any_bytes_load_or_are_refused(content, tmp_path):
    path = tmp_path / "any.toml"
    path.write_bytes(content)
    for load in (load_job, load_machine, load_material):
        try:
            load(path)
        except PathgenError as error:
            assert "\n" not in str(error)


@QUICK
@given(values=trees, kind=st.sampled_from([Job, Machine, Material]), from_text=st.booleans())
def test_any_values_convert_or_are_refused(values, kind, from_text):
    try:
        typed(values, kind, "file", from_text=from_text)
    except PathgenError as error:
        assert str(error).isprintable()


SETUP = settle(Job())
PLACES = [
    (kind, key) for kind in ("job", "machine", "material") for key, _ in leaves(plain(getattr(SETUP, kind)))
]


@QUICK
@given(place=st.sampled_from(PLACES), value=trees)
def test_a_profile_with_one_wild_value_settles_or_is_refused(place, value):
    kind, key = place
    values = plain(getattr(SETUP, kind))
    table = values
    *path, leaf = key.split(".")
    for name in path:
        table = table[name]
    table[leaf] = value
    try:
        record = typed(values, type(getattr(SETUP, kind)), "file")
        parts = {"job": SETUP.job, "machine": SETUP.machine, "material": SETUP.material} | {kind: record}
        digest(settle(**parts))
    except PathgenError as error:
        assert str(error).isprintable()


def test_a_dotted_key_has_at_most_20_parts():
    assert parse_table(".".join("a" * 20) + " = 1", "job")
    with pytest.raises(PathgenError, match="more than 20 parts"):
        parse_table(".".join("a" * 21) + " = 1", "job")
