"""Files made to do harm: to memory, to a terminal, to a machine's program, to what lies beside them."""

import ast
import json
import pickle
import struct
import zlib
from functools import cache
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import pathgen
from pathgen.settings import profile_text
from tests.faults.conftest import panel

ROOM = 150  # MiB that refusing a file may take


def chunk(kind, body):
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


@cache
def zeros(size):
    """Zero bytes, compressed."""
    return zlib.compress(bytes(size), 1)


def png(wide, high, *more):
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", wide, high, 8, 0, 0, 0, 0))
    data = chunk(b"IDAT", zeros(1_000_000))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(more) + data + chunk(b"IEND", b"")


def tiff(wide, high, frames=1):
    """A TIFF (specification 6.0, section 2) without pixels, of some frames that hold nothing but a size."""
    out = b"II*\0" + struct.pack("<I", 8)
    for frame in range(frames):
        tags = ((256, 4, 1, wide), (257, 4, 1, high), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 1),
                (273, 4, 1, 8), (277, 3, 1, 1), (278, 4, 1, high), (279, 4, 1, 100))  # fmt: skip
        entries = b"".join(struct.pack("<HHII", *tag) for tag in tags)
        after = 8 + (frame + 1) * (6 + len(entries)) if frame + 1 < frames else 0
        out += struct.pack("<H", len(tags)) + entries + struct.pack("<I", after)
    return out


def webp(wide, high):
    """A WebP (RFC 9649, section 2.7) that claims a canvas and holds a small picture."""
    stream = BytesIO()
    exif = Image.Exif()
    exif[274] = 1
    Image.new("RGBA", (9, 9)).save(stream, "WEBP", lossless=True, exif=exif)
    data = bytearray(stream.getvalue())
    at = data.index(b"VP8X") + 12  # after name, length and flags
    data[at : at + 3], data[at + 3 : at + 6] = (
        (wide - 1).to_bytes(3, "little"),
        (high - 1).to_bytes(3, "little"),
    )
    return bytes(data)


def npy(head, body=b""):
    text = repr(head).encode() + b"\n"
    return b"\x93NUMPY\x01\0" + struct.pack("<H", len(text)) + text + body


def form(shape, kind="<f8"):
    return {"descr": kind, "fortran_order": False, "shape": shape}


BOMBS = {
    "wide.png": lambda: png(60_000, 60_000),
    "thin.png": lambda: png(2_000_000_000, 2),
    "text.png": lambda: png(9, 9, chunk(b"zTXt", b"a\0\0" + zeros(200_000_000))),
    "profile.png": lambda: png(9, 9, chunk(b"iCCP", b"a\0\0" + zeros(200_000_000))),
    "wide.tif": lambda: tiff(2**31 - 1, 2**31 - 1),
    "deep.tif": lambda: tiff(100_000, 1_000),
    "frames.tif": lambda: tiff(20, 20, frames=3000),
    "wide.webp": lambda: webp(2**24, 2**7),
    "square.webp": lambda: webp(2**14, 2**14),
    "wide.npy": lambda: npy(form((10**9, 10**9))),
    "less.npy": lambda: npy(form((-5, -5))),
    "more.npy": lambda: npy(form((2**40, 2**40))),
    "near.npy": lambda: npy(form((9_000, 9_000)), bytes(80)),
    "object.npy": lambda: npy(form((9, 9), "|O"), pickle.dumps([1] * 81)),
    "record.npy": lambda: npy(form((9, 9), [("a", "<f8")]), bytes(648)),
    "code.npy": lambda: npy("__import__('os').system('touch ran')", bytes(80)),
    "long.npy": lambda: b"\x93NUMPY\x02\0" + struct.pack("<I", 2**32 - 1) + b"{",
}


@pytest.fixture(scope="module")
def usual(forge, wall, tmp_path_factory):
    """Memory of a refusal that opens nothing."""
    return forge("panel", wall, "--out", tmp_path_factory.mktemp("no") / "a.gcode", "--layer", "-1").memory


@pytest.mark.parametrize("name", BOMBS)
def test_bombs(forge, usual, tmp_path, name):
    source, out = tmp_path / name, tmp_path / "out"
    source.write_bytes(BOMBS[name]())
    out.mkdir()
    args, files = panel(source, out, "moves")
    for command in (args, ["picture", source, "--out", out / "p.png"]):
        ended = forge(*command)
        # "near" is less than the 100 megapixels that are taken: its 650 MB are asked for, never touched.
        assert ended.memory < usual + ROOM, f"{ended.memory - usual:.0f} MiB"
        if ended.code == 0:  # pictures whose text is left aside
            assert name in ("text.png", "profile.png", "frames.tif"), name
            continue
        ended.refused()
        assert not list(out.iterdir())
    assert not (tmp_path / "ran").exists()


class Harm:
    """Makes a file when it is unpickled."""

    def __init__(self, path):
        self.path = path

    def __reduce__(self):
        return open, (str(self.path), "w")


@pytest.mark.parametrize("what", ["object array", "bare pickle", "zip of arrays"])
def test_nothing_is_ever_unpickled(forge, tmp_path, what):
    source, ran, out = tmp_path / "wall.npy", tmp_path / "ran", tmp_path / "out"
    out.mkdir()
    with source.open("wb") as stream:
        if what == "object array":
            np.save(stream, np.array([[Harm(ran), 1], [2, 3]], dtype=object), allow_pickle=True)
        elif what == "bare pickle":
            pickle.dump(Harm(ran), stream)
        else:
            np.savez(stream, a=np.array([Harm(ran)], dtype=object))
    args, _ = panel(source, out, "thickness")
    forge(*args).refused()
    program = out / "whole.gcode"
    forge("panel", source.with_name("none.npy"), "--out", program).refused()
    forge("replay", source, "--machine", "moving-table", "--against", source).refused()
    assert not ran.exists() and not list(out.iterdir())


def dotted(node):
    """Return the name of a function that is called, such as np.load; empty if it is not a name."""
    if isinstance(node, ast.Attribute):
        return f"{dotted(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else ""


def test_no_code_comes_in():
    """No word of Python runs text; arrays are read without pickles; one place loads other packages' code."""
    runs = {"eval", "exec", "compile", "__import__", "os.system", "os.popen", "pickle.load", "pickle.loads"}
    plugs = []
    for path in sorted(Path(pathgen.__file__).parent.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Import | ast.ImportFrom):
                names = {alias.name for alias in node.names} | {getattr(node, "module", "")}
                assert not names & {"pickle", "marshal", "shelve", "subprocess", "runpy", "code"}, path
            if not isinstance(node, ast.Call):
                continue
            called = dotted(node.func)
            assert called not in runs, f"{path}:{node.lineno}"
            if called in ("np.load", "np.save", "np.lib.format.write_array", "npy.write_array"):
                options = {option.arg: ast.unparse(option.value) for option in node.keywords}
                assert options.get("allow_pickle") == "False", f"{path}:{node.lineno}"
            if called == "entry_points":
                plugs.append(path.parent.name)
    assert set(plugs) == {"fills"}


def test_a_fill_of_another_package_that_cannot_be_loaded(monkeypatch):
    from importlib.metadata import EntryPoint

    from pathgen.layers import fills

    there = EntryPoint("harbour", "no_such_package:fill", "pathgen.fills")
    monkeypatch.setattr(fills, "entry_points", lambda **asked: [there])
    with pytest.raises(
        pathgen.PathgenError, match="'harbour' cannot be loaded: ModuleNotFoundError.*install"
    ):
        fills.find_fill("harbour")


NAMES = [
    "two\nlines.npy", "cr\rx.npy", "esc\x1b[2J$\\frac{$\x1b]0;title\x07.npy", "bidi\u202egnp.npy",
    "tab\there.npy", "bytes\udcff\udcfe.npy", "c1\x9b31m.npy", "clef\U0001d11e\U000e0041.npy",
    "G1 X0 Y0 Z0.npy", "(a) (b).npy", "a) G0 Z0 (.npy", "; M104 S300.npy", "$\\frac{$.npy",
    "x = 1\njob pixel = 9.npy", "panel width = 5.npy", "layer 1-1 top 9 mm height 9 mm.npy", "end.npy",
    "%.npy", "\\N{BULLET}{nozzle}.npy", "写真.npy", "MSG, look.npy", "ö" * 100 + ".npy",
]  # fmt: skip


DRAWN = [NAMES[2], NAMES[19]]  # drawings take their time
# The strict controller's comments are the narrower ones: all names go there, and some to another as well.
STANDS = [(name, "ngc-lab") for name in NAMES] + [(name, "moving-table") for name in NAMES[::8]]
STANDS = [
    pytest.param(name, machine, marks=[pytest.mark.slow] * (place % 2 and place != 5))
    for place, (name, machine) in enumerate(STANDS)
]


def save_wall(path):
    with path.open("wb") as stream:
        np.save(stream, np.linspace(1.0, 2.0, 300).reshape(15, 20))
    return path


def panel_of(path, program, machine):
    return ["panel", path, "--out", program, "--rim-width", "0", "--brim", "1", "--machine", machine]


@pytest.fixture(scope="module")
def plain(forge, tmp_path_factory):
    """Lines of the program of a file with a plain name."""
    folder, found = tmp_path_factory.mktemp("plain"), {}
    for machine in ("ngc-lab", "moving-table"):
        program = folder / "plain.gcode"
        assert forge(*panel_of(save_wall(folder / "plain.npy"), program, machine)).code == 0
        found[machine] = program.read_text("ascii").split("\n")
    return found


@pytest.mark.parametrize("name,machine", STANDS, ids=lambda text: ascii(text)[:20])
def test_names_reach_neither_terminal_nor_program_raw(forge, plain, tmp_path, machine, name):
    """A name changes its own line and the header sum, and nothing a terminal would obey is printed."""
    source, out = save_wall(tmp_path / name), tmp_path / "out"
    out.mkdir()
    drawn = name in DRAWN and machine == "ngc-lab"
    program = out / f"{name[:40]}.gcode"  # a name may stand in the path of the output as well
    drawing = ["--preview", out / "p.png"] if drawn else []
    ended = forge(*panel_of(source, program, machine), "--json", *drawing)
    assert ended.code == 0 and ended.err == "", ended
    assert all(line.isprintable() for line in ended.out.split("\n")), ended.out
    lines = program.read_text("ascii").split("\n")
    assert all(line.isprintable() for line in lines)
    json.loads(ended.out)
    differing = [(a, b) for a, b in zip(lines, plain[machine], strict=True) if a != b]
    assert len(differing) == 2 and "picture = plain.npy" in differing[0][1]
    assert "header sum = " in differing[1][1]
    if machine == "ngc-lab":
        line = differing[0][0]
        assert line[0] == "(" and line[-1] == ")" and not set("()") & set(line[1:-1])
    drawing = ["--map", out / "m.png"] if drawn else []
    ended = forge("replay", program, "--against", source, "--ends", "0", *drawing)
    assert ended.code == 0 and ended.err == "", ended
    assert all(line.isprintable() for line in ended.out.split("\n")), ended.out
    assert "2 × 1.5 mm panel" in ended.out
    for command in (["replay", f"{source}x"], ["panel", f"{source}.png", "--out", out / "b"]):
        assert forge(*command).refused().isprintable()


@pytest.mark.parametrize("key", ["picture", "machine", "material", "outline", "isolate", "fill"])
@pytest.mark.parametrize(
    "value", ["../../x", "/etc/passwd", "/dev/zero", "\x1b[2J/x", "a\nb", "..", ".", "/", "\0/"]
)
def test_names_in_a_job(forge, wall, tmp_path, key, value):
    """A job can have files read, and says so when they are no such thing; it has no word for writing one."""
    folder = tmp_path / "deep" / "down"
    folder.mkdir(parents=True)
    text = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in value)
    where = "[[panel]]\n" if key == "picture" else ""
    (folder / "job.toml").write_text(f'{where}{key} = "{text}"\n')
    photo = tmp_path / "quay.png"
    Image.new("L", (30, 20), 99).save(photo)
    sources = [] if key == "picture" else [photo]
    args = ["panel", *sources, "--job", folder / "job.toml", "--width", "9", "--out", tmp_path / "a.gcode"]
    before = sorted(tmp_path.rglob("*"))
    assert forge(*args).refused().isprintable()
    assert sorted(tmp_path.rglob("*")) == before


def test_a_picture_beside_the_job_s_folder_is_read(forge, wall, tmp_path):
    folder = tmp_path / "jobs"
    folder.mkdir()
    (tmp_path / "quay.npy").write_bytes(wall.read_bytes())
    (folder / "job.toml").write_text('[[panel]]\npicture = "../quay.npy"\n')
    args = [
        "panel",
        "--job",
        folder / "job.toml",
        "--width",
        "9",
        "--brim",
        "1",
        "--out",
        tmp_path / "a.gcode",
    ]
    assert forge(*args).code == 0


START = {
    "two lines in one": ("G28", r"G28\rM104 S300"),
    "an escape": ("G28", r"G28 ; \u001b[2J"),
    "a zero byte": ("G28", r"G28 \u0000"),
    "a next line": ("G28", r"G28 ; a\u0085M104 S300"),
    "a line separator": ("G28", r"G28 ; a\u2028M104 S300"),
    "a placeholder of Python": ("G28", "G28 ; {nozzle.__class__}"),
    "a format": ("G28", "G28 ; {nozzle:>99999999}"),
    "an unknown word": ("G28", "G28\nM999"),
    "an open comment": ("G28", "G28 (home"),
    "hotter than it may be": ("G28", "G28\nM104 S900"),
}


@pytest.mark.parametrize("name", START)
def test_start_blocks_that_are_refused(forge, wall, tmp_path, name):
    old, new = START[name]
    text = profile_text("moving-table")
    head, mark, tail = text.partition("start = '''")
    block, end, rest = tail.partition("'''")
    assert old in block
    block = block.replace(old, new, 1)
    (tmp_path / "mine.toml").write_text(f'{head}start = """{block}"""{rest}', encoding="utf-8")
    args, files = panel(wall, tmp_path)
    assert "dialect.start" in forge(*args, "--machine", tmp_path / "mine.toml").refused()
    assert not files["out"].exists()


HUGE = {
    "over a mebibyte": "width = 50.0\n" + "# padding\n" * 120_000,
    "deep arrays": "width = " + "[" * 200_000,
    "deep tables": "a" + ".a" * 100_000 + " = 1",
    "a long number": "width = " + "9" * 500_000,
    "a long exponent": "width = 1e" + "9" * 100_000,
    "many keys": "".join(f"k{i} = 1\n" for i in range(60_000)),
    "many bands": "[[band]]\nabove = 1.0\n" * 40_000,
    "a long key": '"' + "k" * 900_000 + '" = 1',
    "a long text": 'machine = "' + "x" * 900_000 + '"',
    "a long path": 'machine = "./' + "x" * 900_000 + '"',
    "many eyelets": "eyelet_at = [" + "0.5, " * 100_000 + "]",
}


@pytest.mark.parametrize("name", HUGE)
def test_huge_settings(forge, usual, wall, tmp_path, name):
    (tmp_path / "job.toml").write_text(HUGE[name])
    args, files = panel(wall, tmp_path)
    ended = forge(*args, "--job", tmp_path / "job.toml")
    assert len(ended.refused()) < 2000
    assert ended.memory < usual + ROOM and not files["out"].exists()
