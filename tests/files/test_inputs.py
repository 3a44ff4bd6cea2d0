"""Input files: opened once, with one set of messages."""

import io
import os
import sys
import threading
from pathlib import Path

import pytest

import pathgen
from pathgen.errors import PathgenError
from pathgen.files.inputs import open_input, read_input, read_input_text, stored_input


def message(function, *args, **options):
    with pytest.raises(PathgenError) as caught:
        function(*args, **options)
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("none.toml", "no such file (none.toml); check the name and the folder"),
        ("folder", "the input is a folder, not a file (folder); allowed: a TOML file"),
        ("a\0b", "the file cannot be read: embedded null byte"),
        ("file/x", "the file cannot be read: Not a directory (file/x); allowed: a TOML file"),
        (os.devnull, f"the input is a device, not a file ({os.devnull}); allowed: a TOML file"),
        (
            "latin.toml",
            "byte 0xe5 is not UTF-8 (latin.toml, line 2); allowed: UTF-8 text; save the file as UTF-8 text",
        ),
        (
            "zeros.toml",
            "the file contains NUL bytes, so it is not a text file (zeros.toml); allowed: a TOML file",
        ),
        ("large.toml", "the file is larger than 1 MiB (large.toml); allowed: at most 1 MiB; shorten it"),
        ("two\nlines", r"no such file ('two\nlines'); check the name and the folder"),
    ],
)
def test_one_set_of_messages(name, expected, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").touch()
    (tmp_path / "latin.toml").write_bytes("a = 1\nb = 'Blåvand'\n".encode("latin-1"))
    (tmp_path / "zeros.toml").write_bytes(bytes(9))
    (tmp_path / "large.toml").write_bytes(b" " * ((1 << 20) + 1))
    text = message(read_input_text, name, "a TOML file", 1 << 20, hint="shorten it")
    assert text.startswith(expected)


def test_a_file_at_the_limit_is_read(tmp_path):
    (tmp_path / "a").write_bytes(b"x" * (1 << 20))
    assert len(read_input(tmp_path / "a", limit=1 << 20)) == 1 << 20


def test_a_byte_order_mark_is_removed(tmp_path):
    (tmp_path / "a.csv").write_text("a;b\r\n", encoding="utf-8-sig", newline="")
    assert read_input_text(tmp_path / "a.csv", "a CSV file", 99) == "a;b\r\n"


def test_every_source_is_seekable(tmp_path, monkeypatch):
    (tmp_path / "a").write_bytes(b"G21\n")
    os.mkfifo(tmp_path / "pipe")
    threading.Thread(target=(tmp_path / "pipe").write_bytes, args=(b"G21\n",)).start()
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"G21\n")))
    handle = io.BytesIO(b"G21\n")
    handle.read()
    for source in (b"G21\n", tmp_path / "a", str(tmp_path / "pipe"), "-", handle):
        with open_input(source) as stream:
            assert stream.read() == b"G21\n" and stream.seek(0) == 0 and stream.read(3) == b"G21"
    assert not handle.closed and not sys.stdin.buffer.closed


def test_a_file_is_opened_once_and_closed(tmp_path, monkeypatch):
    (tmp_path / "a").write_bytes(b"G21\n")
    with open_input(tmp_path / "a") as stream:
        (tmp_path / "a").unlink()
        with open_input(stream) as again:
            assert again is stream
    assert stream.closed


def test_a_pipe_is_stored_and_removed_again(tmp_path, monkeypatch):
    (tmp_path / "a.png").touch()
    with stored_input(tmp_path / "a.png") as path:
        assert path == tmp_path / "a.png"
    for data, name in ((b"\x93NUMPY...", "stdin.npy"), (b"\x89PNG", "stdin"), (b"", "stdin")):
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))
        with stored_input(type(tmp_path)("-")) as path:
            assert (path.name, path.read_bytes()) == (name, data)
        assert not path.parent.exists()


def test_closed_standard_input(monkeypatch):
    monkeypatch.setattr(sys, "stdin", None)
    assert "standard input is closed" in message(read_input, "-")


def test_no_other_module_has_messages_of_its_own():
    folder = Path(pathgen.__file__).parent
    others = [path for path in folder.rglob("*.py") if path.parent.name != "files"]
    assert len(others) > 150
    assert not [path for path in others if "FileNotFoundError" in path.read_text(encoding="utf-8")]
