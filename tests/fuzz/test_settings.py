"""Settings that are spoilt, as text and as values: taken or refused with one line, never worse."""

import json
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pathgen.settings import Job, machine_names, material_names, profile_text
from tests.fuzz.survival import COUNTS, FEW, MANY, spoil_bytes, spoil_text, survives, tally

# Sizes are kept small, so that what is taken is made quickly; what is refused may be of any size.
SIZES = {
    "width": [5.0, 12.5, 20.0, 2000.0], "height": [4.0, 9.0, 15.0, 2000.0],
    "pixel": [0.1, 0.25, 0.5, 1.0, 2.0], "layer": [0.05, 0.1, 0.2, 0.3, 1.0],
    "copies": [1, 2, 3, 8], "brim": [0.0, 1.0, 5.0, 100.0],
}  # fmt: skip
NAMES = (
    "tailored", "terraced", "contour", "raster", "rectangle", "disc", "arch", "moving-table", "moving-gantry",
    "long-tube", "ngc-lab", "pla-white", "petg-white", "off", "auto",
)  # fmt: skip
ODD = st.one_of(
    st.floats(),
    st.integers(),
    st.booleans(),
    st.text(max_size=12),
    st.sampled_from(
        [0, -1, 1e-300, 1e300, 10**400, "nan", "auto", "off", "../../x", "/", "", "\x1b[2J", "a\nb"]
    ),
    st.lists(st.one_of(st.floats(), st.text(max_size=3)), max_size=4),
    st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
)


def described(field_type):
    """Bounds and choices of a field."""
    inspect = msgspec.inspect
    while isinstance(field_type, inspect.Metadata):
        field_type = field_type.type
    if isinstance(field_type, inspect.UnionType):
        parts = [part for part in field_type.types if not isinstance(part, inspect.NoneType)]
        return st.one_of(*map(described, parts))
    if isinstance(field_type, inspect.LiteralType):
        return st.sampled_from(field_type.values)
    if isinstance(field_type, inspect.IntType | inspect.FloatType):
        low = next((b for b in (field_type.ge, field_type.gt) if b is not None), -10)
        high = next((b for b in (field_type.le, field_type.lt) if b is not None), 10)
        if isinstance(field_type, inspect.IntType):
            return st.integers(int(low) - 1, int(high) + 1)
        inside = st.floats(float(low), float(high))
        return st.one_of(
            inside, inside.map(lambda x: float(f"{x:.2g}")), st.sampled_from([float(low), float(high)])
        )
    if isinstance(field_type, inspect.VarTupleType):
        return st.lists(described(field_type.item_type), max_size=3)
    if isinstance(field_type, inspect.StructType):
        return table(field_type.fields, field_type.cls.__name__)
    return st.sampled_from(NAMES)


def value(name, field_type):
    good = st.sampled_from(SIZES[name]) if name in SIZES else described(field_type)
    return st.one_of(good, good, good, good, ODD)


def table(fields, kind):
    return st.lists(
        st.sampled_from(fields), min_size=kind != "Job", max_size=6, unique_by=lambda f: f.name
    ).flatmap(
        lambda some: st.fixed_dictionaries({field.name: value(field.name, field.type) for field in some})
    )


JOBS = table(msgspec.inspect.type_info(Job).fields, "Job")


def toml(tables):
    """Spell a job as TOML; what TOML has no word for is spelled as text."""
    plain = {key: content for key, content in tables.items() if not _are_tables(content)}
    lines = [f"{_key(key)} = {_toml_value(content)}" for key, content in plain.items()]
    for key, content in tables.items():
        if key not in plain:
            for each in content:
                lines += [f"[[{_key(key)}]]", *(f"{_key(k)} = {_toml_value(v)}" for k, v in each.items())]
    return "\n".join(lines) + "\n"


def _are_tables(content):
    return isinstance(content, list) and bool(content) and all(isinstance(each, dict) for each in content)


def _key(key):
    return json.dumps(key)


def _toml_value(content):
    if isinstance(content, bool):
        return str(content).lower()
    if isinstance(content, float):
        return repr(content) if content == content else "nan"
    if isinstance(content, list):
        return f"[{', '.join(map(_toml_value, content))}]"
    if isinstance(content, dict):
        return "{" + ", ".join(f"{_key(k)} = {_toml_value(v)}" for k, v in content.items()) + "}"
    return json.dumps(content) if isinstance(content, str) else str(content)


JOB = """# A window of the harbour museum
width = 12.0
pixel = 0.5
layer = 0.2
first_layer = 0.25
thinnest = 0.8
thickest = 2.4
machine = "moving-table"
material = "pla-white"
fill = "tailored"
brim = 1.0
rim_width = 1.0
eyelets = 1
outline = "rectangle"
axis = "auto"
wedges = "auto"

[[band]]
above = 2.0
feed = 15.0
packing = 0.97

[[band]]
above = 4.0
fan = 0.5
nozzle_temperature = 210.0
"""
SEVERAL = JOB.replace("[[band]]", "[[panel]]\npicture = 'wall.npy'\ncopies = 2\n\n[[panel]]\n", 1).split(
    "above"
)[0]


def made(wall, folder, out, text, *options):
    job = Path(folder, "job.toml")
    job.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass"))
    return survives(
        ["panel", *([wall] if wall else []), "--job", job, "--out", out / "a.gcode", *options], out
    )


@pytest.mark.parametrize("count", [FEW, pytest.param(MANY, marks=pytest.mark.slow)])
def test_jobs_of_odd_values(small_wall, tmp_path, out, count):
    ends = {0: 0, 1: 0}

    @settings(
        max_examples=count, deadline=None, derandomize=True, database=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(JOBS, st.booleans())
    def case(job, as_file):
        if as_file:
            code, _ = made(small_wall, tmp_path, out, toml({"brim": 1.0, "pixel": 0.5} | job))
        else:
            options = ["--pixel", "0.5", "--brim", "1"]
            for key, content in job.items():
                if not isinstance(content, list | dict):
                    options.append(f"--{key.replace('_', '-')}={content}")
            code, _ = survives(["panel", small_wall, "--out", out / "a.gcode", *options], out)
            if code == 2:  # a choice that is none, a number that is none: click refuses those
                code = 1
        ends[code] += 1

    case()
    print(f"odd values: {sum(ends.values())} cases, exit codes {ends}")
    assert min(ends.values()) > count / 20


@COUNTS
def test_spoilt_jobs(small_wall, tmp_path, out, count):
    (tmp_path / "wall.npy").write_bytes(small_wall.read_bytes())

    def case(dice):
        text = dice.choice((JOB, JOB, SEVERAL))
        spoilt = spoil_bytes(text.encode(), dice) if dice.random() < 0.3 else spoil_text(text, dice)
        return made(None if text == SEVERAL else small_wall, tmp_path, out, spoilt)

    ends = tally(case, count, "jobs")
    assert min(ends[0], ends[1]) > count / 20


@COUNTS
def test_spoilt_profiles(small_wall, tmp_path, out, count):
    texts = {"machine": [profile_text(name) for name in machine_names()]}
    texts["material"] = [profile_text(name) for name in material_names()]

    def case(dice):
        kind = dice.choice(list(texts))
        text = dice.choice(texts[kind])
        spoilt = spoil_bytes(text.encode(), dice) if dice.random() < 0.3 else spoil_text(text, dice).encode()
        (tmp_path / "mine.toml").write_bytes(spoilt)
        options = ["--pixel", "0.5", "--brim", "1", f"--{kind}", tmp_path / "mine.toml"]
        return survives(["panel", small_wall, "--out", out / "a.gcode", *options], out)

    ends = tally(case, count, "profiles")
    assert min(ends[0], ends[1]) > count / 20


@pytest.mark.parametrize("count", [FEW, pytest.param(MANY, marks=pytest.mark.slow)])
def test_any_text_at_all(small_wall, tmp_path, out, count):
    pieces = st.sampled_from(
        ["width", "=", "[", "]", "[[band]]", "\n", '"', "'''", "1.0", "{", "}", ".", "#", "\\u"]
    )

    @settings(
        max_examples=count, deadline=None, derandomize=True, database=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(st.one_of(st.text(), st.lists(pieces).map("".join), st.binary()))
    def case(text):
        made(small_wall, tmp_path, out, text, "--brim", "1", "--pixel", "0.5")

    case()
