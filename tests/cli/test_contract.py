"""The contract for scripts: --json and its schemas, exit codes, pipes, formats, completion."""

import io
import json
import logging
import os
import re
import subprocess
import sys
import threading

import numpy as np
import pytest
from PIL import Image

import pathgen
from pathgen.cli import BROKEN_PIPE, COMMANDS, run
from pathgen.cli.schema import command_schema
from pathgen.coupons import NAMES
from pathgen.settings import machine_names, material_names, profile_text
from tests.coupons.printed import filled_text
from tests.study.conftest import SMALL
from tests.study.conftest import wall as study_wall

KINDS = {
    "string": str, "number": (int, float), "integer": int, "boolean": bool, "array": list, "object": dict,
    "null": type(None),
}  # fmt: skip


def faults(value, schema, path="$"):
    """Validate the part of JSON Schema 2020-12 that the schemas use; list what does not fit."""
    if "oneOf" in schema:
        found = [list(faults(value, branch, path)) for branch in schema["oneOf"]]
        if sum(not branch for branch in found) != 1:
            yield f"{path}: {sum(not branch for branch in found)} branches fit: {min(found, key=len)}"
        return
    kinds = schema.get("type", list(KINDS))
    kinds = [kinds] if isinstance(kinds, str) else kinds
    if not any(
        isinstance(value, KINDS[k]) and (k == "boolean" or value is not (value is True)) for k in kinds
    ):
        yield f"{path}: {value!r} is not of type {kinds}"
    if "enum" in schema and value not in schema["enum"]:
        yield f"{path}: {value!r} is not in {schema['enum']}"
    if isinstance(value, list):
        for number, item in enumerate(value):
            yield from faults(item, schema.get("items", {}), f"{path}[{number}]")
    if isinstance(value, dict) and "properties" in schema:
        yield from (f"{path}: no {key!r}" for key in schema["required"] if key not in value)
        for key, item in value.items():
            patterns = [s for p, s in schema.get("patternProperties", {}).items() if re.search(p, key)]
            if key in schema["properties"]:
                yield from faults(item, schema["properties"][key], f"{path}.{key}")
            elif patterns:
                yield from faults(item, patterns[0], f"{path}.{key}")
            else:
                yield f"{path}: unknown key {key!r}"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with one good file of each kind, and some bad ones."""
    folder = tmp_path_factory.mktemp("contract")
    np.save(folder / "wall.npy", np.tile(np.linspace(1.0, 2.4, 90), (60, 1)))
    Image.fromarray(np.tile(np.linspace(0, 255, 60, dtype=np.uint8), (40, 1))).save(folder / "quay.png")
    (folder / "job.toml").write_text("width = 20.0\nbrim = 2.0\nlayer = 0.2\n")
    (folder / "bad.toml").write_text("widht = 3\n")
    (folder / "latin.toml").write_bytes(b'machine = "\xff"\n')
    (folder / "empty.gcode").write_bytes(b"")
    (folder / "noise.gcode").write_bytes(bytes(100))
    (folder / "plain.csv").write_text("a,b\n1,2\n")
    (folder / "study.toml").write_text(SMALL.replace("wall.npy", "study.npy"))
    np.save(folder / "study.npy", study_wall())
    assert run(["panel", str(folder / "quay.png"), "--job", str(folder / "job.toml"), "--out",
                str(folder / "good.gcode"), "--thickness", str(folder / "wanted.npy")]) == 0  # fmt: skip
    good = (folder / "good.gcode").read_bytes()
    (folder / "hot.gcode").write_bytes(good.replace(b"M109 S205", b"M109 S300"))
    assert run(["coupon", "bead-ladder", "--out", str(folder / "beads.gcode")]) == 0
    sheet = (folder / "beads.csv").read_text()
    (folder / "blank.csv").write_text(sheet)
    rows = [line.split(",") for line in sheet.splitlines() if line[0].isdigit()]
    walls = [round(0.95 * float(r[6]) * float(r[7]) * float(r[8]) + 0.02, 3) for r in rows]
    (folder / "beads.csv").write_text(filled_text(sheet, wall_mm=np.array(walls)))
    light = "".join(f"{t},{2000 * 10 ** (-0.4 * t)}\n" for t in (0.4, 0.8, 1.2, 1.6, 2.4, 3.2))
    (folder / "wedge.csv").write_text("thickness_mm,reading_lux\n" + light)
    unsafe = profile_text("moving-table")
    (folder / "unsafe.toml").write_text(unsafe.replace("G28 ;", "G28\nG1 X-40 F3000 ;"))
    return folder


RESULTS = [
    ["panel", "quay.png", "--job", "job.toml", "--out", "x.gcode"],
    ["panel", "wall.npy", "--out", "x.gcode", "--copies", "2", "--brim", "2", "--layer", "0.2"],
    ["picture", "quay.png", "--out", "x.png", "--stages", "s.png"],
    ["replay", "good.gcode"],
    ["replay", "good.gcode", "--against", "wanted.npy"],
    ["check", "good.gcode"],
    ["check", "hot.gcode"],
    ["coupon", "step-wedge", "--layer", "0.2", "--out", "x.gcode"],
    ["fit", "beads.csv", "--machine", "moving-table", "--out", "x.toml"],
    ["fit", "wedge.csv", "--material", "pla-white", "--out", "x.toml"],
    ["study", "study.toml", "--out", "x.csv", "--workers", "1"],
    ["study", "--columns"],
    ["machines"],
    ["machines", "pla-white"],
]


@pytest.mark.parametrize("args", RESULTS, ids=" ".join)
def test_every_result_fits_its_schema(args, folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    code = run([*args, "--json"])
    shown = capsys.readouterr()
    assert code == (3 if "hot.gcode" in args else 0) and shown.err == ""
    assert not list(faults(json.loads(shown.out), command_schema(args[0])))
    assert "error" not in json.loads(shown.out)


def test_the_list_of_coupons_fits_its_schema(capsys, monkeypatch):
    monkeypatch.setattr("pathgen.cli.coupon.NAMES", ("step-wedge", "bead-ladder"))
    assert run(["coupon", "--layer", "0.5", "--json"]) == 0  # too high for the nozzle
    facts = json.loads(capsys.readouterr().out)
    assert not list(faults(facts, command_schema("coupon")))
    assert [row["name"] for row in facts["coupons"] if "nozzle" in (row["error"] or "")] == [
        "step-wedge", "bead-ladder"
    ]  # fmt: skip


OUT = ["--out", "x.gcode"]
MISTAKES = [
    # command line, exit code, a word of the message
    (["panel"], 2, "--out"),
    (["panel", "quay.png"], 2, "--out"),
    (["panel", *OUT], 2, "PICTURE"),
    (["panel", "none.png", *OUT], 1, "no such file"),
    (["panel", ".", *OUT], 1, "folder"),
    (["panel", "good.gcode", *OUT], 1, "picture"),
    (["panel", "quay.png", *OUT, "--widht", "9"], 2, "--width"),
    (["panel", "quay.png", *OUT, "--width", "wide"], 2, "float"),
    (["panel", "quay.png", *OUT, "--width", "0"], 1, "more than 0"),
    (["panel", "quay.png", *OUT, "--width", "900"], 1, "fit"),
    (["panel", "quay.png", *OUT, "--layer", "0.5"], 1, "nozzle"),
    (["panel", "quay.png", *OUT, "--layer", "thick"], 1, "layer"),
    (["panel", "quay.png", *OUT, "--fill", "tailord"], 1, "tailored"),
    (["panel", "quay.png", *OUT, "--machine", "moving-tabel"], 1, "moving-table"),
    (["panel", "quay.png", *OUT, "--machine", "none.toml"], 1, "no such file"),
    (["panel", "quay.png", *OUT, "--material", "pla"], 1, "pla-"),
    (["panel", "quay.png", *OUT, "--job", "bad.toml"], 1, "width"),
    (["panel", "quay.png", *OUT, "--job", "latin.toml"], 1, "UTF-8"),
    (["panel", "quay.png", *OUT, "--preview", "y.gif"], 2, ".png"),
    (["panel", "quay.png", *OUT, "--report", "y.pdf"], 2, ".html"),
    (["panel", "quay.png", *OUT, "--thickness", "y.csv"], 2, ".npy"),
    (["panel", "quay.png", "--out", "quay.png"], 1, "input and an output"),
    (["panel", "quay.png", "--out", "y.png", "--preview", "y.png"], 1, "same path"),
    (["panel", "quay.png", "--out", "none/x.gcode"], 1, "does not exist"),
    (["panel", "quay.png", "--out", "-"], 2, "standard output"),
    (["panel", "quay.png", *OUT, "--preview", "-"], 2, "only for --out"),
    (["panel", "quay.png", *OUT, "--machine", "unsafe.toml"], 3, "301"),
    (["picture", "none.png", "--out", "x.png"], 1, "no such file"),
    (["picture", "quay.png", "--out", "x.jpg"], 2, ".tif"),
    (["picture", "quay.png", "--out", "x.png", "--gamma", "0"], 1, "gamma"),
    (["replay", "none.gcode"], 1, "no such file"),
    (["replay", "noise.gcode"], 1, "NUL"),
    (["replay", "good.gcode", "--error", "e.png"], 2, "--against"),
    (["replay", "good.gcode", "--against", "quay.png"], 1, "quay.png"),
    (["replay", "good.gcode", "--panel", "2"], 1, "panel"),
    (["check"], 2, "PROGRAM"),
    (["check", "none.gcode"], 1, "no such file"),
    (["check", "empty.gcode"], 1, "empty"),
    (["check", "good.gcode", "--places", "0"], 2, "--places"),
    (["check", "good.gcode", "--machine", "moving"], 1, "moving-table"),
    (["coupon", "step-wegde", *OUT], 1, "step-wedge"),
    (["coupon", "step-wedge"], 2, "--out"),
    (["fit", "none.csv", "--material", "pla-white", "--out", "x.toml"], 1, "no such file"),
    (["fit", "plain.csv", "--material", "pla-white", "--out", "x.toml"], 1, "thickness"),
    (["fit", "blank.csv", "--machine", "moving-table", "--out", "x.toml"], 1, "blank"),
    (["fit", "beads.csv", "--material", "pla-white", "--out", "x.toml"], 2, "--machine"),
    (["fit", "wedge.csv", "--material", "pla-white", "--out", "x.txt"], 2, ".toml"),
    (["study", "none.toml", "--out", "x.csv"], 1, "no such file"),
    (["study", "bad.toml", "--out", "x.csv"], 1, "widht"),
    (["machines", "moving-tabel"], 1, "moving-table"),
    (["pannel"], 2, "panel"),
]


def test_there_are_mistakes_of_every_command():
    assert len(MISTAKES) > 40 and {args[0] for args, _, _ in MISTAKES} >= set(COMMANDS)


@pytest.mark.parametrize(
    ("args", "code", "word"), MISTAKES, ids=lambda x: " ".join(x) if isinstance(x, list) else ""
)
def test_every_mistake_fits_its_schema(args, code, word, folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    before = sorted(folder.iterdir())
    (folder / "x.gcode").unlink(missing_ok=True)
    assert run([*args, "--json"]) == code
    shown = capsys.readouterr()
    found = json.loads(shown.out)
    schema = command_schema(args[0] if args[0] in COMMANDS else "panel")
    assert not list(faults(found, schema)) and found["error"]["exit_code"] == code
    assert word in " ".join(map(str, found["error"].values()))
    assert shown.err.startswith("error: ") and shown.err.count("\n") == 1
    assert set(folder.iterdir()) <= set(before)


@pytest.mark.parametrize("command", COMMANDS)
def test_schemas_are_printed(command, capsys):
    assert run([command, "--schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema == command_schema(command) and schema["oneOf"][-1]["title"] == "error"
    assert not list(
        faults({"error": dict.fromkeys(("what", "where", "allowed", "hint"), "") | {"exit_code": 1}}, schema)
    )
    assert list(faults({"error": {"what": 1}}, schema)) and list(faults({"news": 1}, schema))


# -- pipes ---------------------------------------------------------------------------------------------------


def feed(monkeypatch, path):
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(path.read_bytes())))


@pytest.fixture
def piped():
    """A path that is a pipe, from which a file can be read once."""
    ends = []

    def pipe(path):
        reading, writing = os.pipe()

        def pump():
            with os.fdopen(writing, "wb") as stream:
                stream.write(path.read_bytes())

        thread = threading.Thread(target=pump)
        thread.start()
        ends.append((reading, thread))
        return f"/dev/fd/{reading}"

    yield pipe
    for reading, thread in ends:
        thread.join()
        os.close(reading)


@pytest.mark.parametrize("name", ["good.gcode", "hot.gcode"])
@pytest.mark.parametrize("command", ["check", "replay"])
def test_a_piped_program_is_judged_as_its_file(name, command, folder, capsys, monkeypatch, piped):
    code = run([command, str(folder / name), "--json"])
    from_file = json.loads(capsys.readouterr().out)
    feed(monkeypatch, folder / name)
    for source in ("-", piped(folder / name)):
        assert run([command, source, "--json"]) == code
        shown = capsys.readouterr().out
        assert json.loads(shown) | {"program": name} == from_file
        text = json.dumps(from_file | {"program": json.loads(shown)["program"]}, indent=1, ensure_ascii=False)
        assert shown == text + "\n"


def test_a_program_goes_to_standard_output(folder, capsysbinary):
    args = ["panel", str(folder / "quay.png"), "--job", str(folder / "job.toml"), "--out", "-"]
    assert run(args) == 0
    shown = capsysbinary.readouterr()
    assert shown.out == (folder / "good.gcode").read_bytes()
    assert b"check: no errors" in shown.err


def test_a_picture_goes_through_pipes(folder, tmp_path, capsysbinary, monkeypatch):
    feed(monkeypatch, folder / "quay.png")
    assert run(["picture", "-", "--out", "-"]) == 0
    (tmp_path / "prepared.png").write_bytes(capsysbinary.readouterr().out)
    for name, source in (("a", tmp_path / "prepared.png"), ("b", folder / "wall.npy")):
        feed(monkeypatch, source)
        out = tmp_path / f"{name}.gcode"
        assert run(["panel", "-", "--out", str(out), "--brim", "2", "--width", "20"]) == 0
        assert f"picture = {'stdin.npy' if name == 'b' else 'stdin'}".encode() in out.read_bytes()
        assert (
            run(["panel", str(source), "--out", str(tmp_path / "c.gcode"), "--brim", "2", "--width", "20"])
            == 0
        )
        lines = [path.read_bytes().splitlines() for path in (out, tmp_path / "c.gcode")]
        assert sum(a != b for a, b in zip(*lines, strict=True)) == 2  # the name and the header sum


def test_a_sheet_and_a_profile_go_through_pipes(folder, tmp_path, capsysbinary, monkeypatch):
    feed(monkeypatch, folder / "wedge.csv")
    assert run(["fit", "-", "--material", "pla-white", "--out", "-"]) == 0
    shown = capsysbinary.readouterr()
    assert b"[light]" in shown.out and b"standard input: 6 readings" in shown.err


def test_a_coupon_goes_to_standard_output_without_a_sheet(tmp_path, monkeypatch, capsysbinary):
    monkeypatch.chdir(tmp_path)
    assert run(["coupon", "step-wedge", "--layer", "0.2", "--out", "-"]) == 0
    assert capsysbinary.readouterr().out.rstrip().splitlines()[-1].startswith(b"M2")
    assert list(tmp_path.iterdir()) == []


def test_an_unsafe_program_does_not_reach_standard_output(folder, capsysbinary):
    args = ["panel", str(folder / "quay.png"), "--width", "20", "--brim", "2", "--out", "-"]
    assert run([*args, "--machine", str(folder / "unsafe.toml")]) == 3
    assert capsysbinary.readouterr().out == b""


@pytest.mark.parametrize("args", [["machines", "moving-table"], ["--help"], ["panel", "--schema"]])
def test_a_closed_pipe_is_silent(args):
    command = [sys.executable, "-m", "pathgen", *args]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(60) == BROKEN_PIPE


# -- formats -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("suffix", "kind"), [(".png", "PNG"), (".jpg", "JPEG"), (".webp", "WEBP"), (".tiff", "TIFF")]
)
def test_the_suffix_decides_the_format_of_a_picture(suffix, kind, folder, tmp_path):
    out = tmp_path / f"lit{suffix}"
    assert run(["replay", str(folder / "good.gcode"), "--picture", str(out)]) == 0
    with Image.open(out) as picture:
        assert picture.format == kind and picture.size == (200, 154)


def test_a_prepared_picture_keeps_16_bits_as_tiff(folder, tmp_path):
    pixels = []
    for suffix in ("png", "tif"):
        out = tmp_path / f"p.{suffix}"
        assert run(["picture", str(folder / "quay.png"), "--out", str(out), "--gamma", "1.3"]) == 0
        with Image.open(out) as picture:
            pixels.append(np.asarray(picture))
    assert (pixels[0] == pixels[1]).all() and (pixels[0] % 257 != 0).any()


def test_numbers_may_begin_with_a_point(folder, tmp_path):
    texts = []
    for layer in (".3", "0.3"):
        args = ["--job", str(folder / "job.toml"), "--out", str(tmp_path / "a.gcode"), "--layer", layer]
        assert run(["panel", str(folder / "quay.png"), *args]) == 0
        texts.append((tmp_path / "a.gcode").read_bytes())
    assert texts[0] == texts[1]


# -- completion, version, log --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("pathgen ", set(COMMANDS)),
        ("pathgen -", {"--verbose", "--version", "--help", "-v", "-h"}),
        ("pathgen panel --machine moving", {"moving-gantry", "moving-table"}),
        ("pathgen check --material pla", {name for name in material_names() if name.startswith("pla")}),
        ("pathgen fit --machine ", set(machine_names())),
        ("pathgen coupon ", set(NAMES)),
        ("pathgen machines ", {*machine_names(), *material_names()}),
        ("pathgen panel --rim-w", {"--rim-width"}),
        ("pathgen panel --direction al", {"along", "alternate"}),
    ],
)
def test_completion(words, expected, monkeypatch, capsys):
    monkeypatch.setenv("_PATHGEN_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", words)
    monkeypatch.setenv("COMP_CWORD", str(len(words.split(" ")) - 1))
    assert run([]) == 0
    offered = {line.split(",", 1)[1] for line in capsys.readouterr().out.splitlines()}
    assert offered == expected


def test_completion_of_a_profile_falls_back_to_files(monkeypatch, capsys):
    monkeypatch.setenv("_PATHGEN_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", "pathgen panel --machine ./mi")
    monkeypatch.setenv("COMP_CWORD", "3")
    assert run([]) == 0
    assert capsys.readouterr().out == "file,./mi\n"


def test_the_version(capsys):
    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"pathgen {pathgen.__version__}\n"


def test_stages_are_logged(folder, tmp_path):
    def logged(*options):
        args = ["check", str(folder / "good.gcode")]
        done = subprocess.run(
            [sys.executable, "-m", "pathgen", *options, *args], capture_output=True, text=True, check=True
        )
        return done.stdout, done.stderr

    silent, verbose = logged(), logged("-v")
    assert silent[1] == "" and silent[0] == verbose[0]
    assert re.search(r"pathgen\.[a-z_.]+: .*\d s", verbose[1])


def test_the_library_logs_its_stages(folder, tmp_path, caplog):
    with caplog.at_level(logging.INFO, "pathgen"):
        pathgen.make(folder / "wall.npy", tmp_path / "a.gcode", pathgen.Job(brim=2.0))
    text = "\n".join(record.getMessage() for record in caplog.records)
    assert all(word in text for word in ("read", "planned", "wrote", "checked"))


def test_exit_codes_are_in_the_help(capsys):
    assert run(["--help"]) == 0
    text = capsys.readouterr().out
    assert all(re.search(rf"^  {code}  ", text, re.M) for code in range(4))
