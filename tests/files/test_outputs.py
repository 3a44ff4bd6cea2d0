"""Output files: whole or not there."""

import errno
import os
import signal
import stat
import threading
from contextlib import ExitStack, contextmanager

import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.files.outputs import atomic_output, atomic_outputs, check_outputs

resource = pytest.importorskip("resource", reason="limits on files are POSIX")


def names(folder):
    return sorted(os.listdir(folder))


def mode(path):
    return stat.S_IMODE(os.stat(path).st_mode)


@contextmanager
def umask(value):
    old = os.umask(value)
    try:
        yield
    finally:
        os.umask(old)


@contextmanager
def largest_file(size):
    """Limit the size of files, which fails like a full disk."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_the_file_appears_at_the_end(tmp_path):
    out = tmp_path / "pier.gcode"
    with atomic_output(out) as stream:
        stream.write(b"G21\n")
        stream.flush()
        (hidden,) = names(tmp_path)
        assert hidden.startswith(".pier.gcode.") and hidden.endswith(".part")
        assert stream.seekable()
    assert names(tmp_path) == ["pier.gcode"]
    assert out.read_bytes() == b"G21\n"


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit, PathgenError])
def test_an_exception_leaves_everything_as_it_was(tmp_path, error):
    out = tmp_path / "pier.gcode"
    out.write_bytes(b"before")
    with pytest.raises(error), atomic_output(out) as stream:
        stream.write(b"half")
        raise error("stop")
    assert names(tmp_path) == ["pier.gcode"]
    assert out.read_bytes() == b"before"


def test_several_outputs_stand_or_fall_together(tmp_path):
    with pytest.raises(ValueError, match="stop"), ExitStack() as stack:
        for name in ("a.gcode", "a.json"):
            stack.enter_context(atomic_output(tmp_path / name)).write(b"x")
        raise ValueError("stop")
    assert names(tmp_path) == []


def test_new_files_follow_the_umask(tmp_path):
    with umask(0o027), atomic_output(tmp_path / "pier.gcode"):
        pass
    assert mode(tmp_path / "pier.gcode") == 0o640


def test_replaced_files_keep_their_permissions(tmp_path):
    out = tmp_path / "pier.gcode"
    out.write_bytes(b"before")
    out.chmod(0o604)
    with umask(0o077), atomic_output(out) as stream:
        stream.write(b"after")
    assert (mode(out), out.read_bytes()) == (0o604, b"after")


def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "far").mkdir()
    link = tmp_path / "pier.gcode"
    link.symlink_to("far/real.gcode")
    for text in (b"first", b"second"):  # dangling, then not
        with atomic_output(link) as stream:
            stream.write(text)
        assert link.is_symlink()
        assert (tmp_path / "far" / "real.gcode").read_bytes() == text
    assert names(tmp_path / "far") == ["real.gcode"]


def test_two_writers_of_one_name_do_not_meet(tmp_path):
    out = tmp_path / "pier.gcode"
    with atomic_output(out) as first, atomic_output(out) as second:
        first.write(b"first")
        second.write(b"second")
        assert len(names(tmp_path)) == 2
    assert (names(tmp_path), out.read_bytes()) == (["pier.gcode"], b"first")


def test_the_longest_name_a_file_system_takes(tmp_path):
    out = tmp_path / ("ö" * 127)  # 254 bytes of the usual 255
    with atomic_output(out) as stream:
        stream.write(b"x")
    assert out.read_bytes() == b"x"


def test_errors_name_the_problem(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    for name, message in (
        ("none/pier.gcode", r"folder .*none does not exist \(output .*pier.gcode\); create the folder first"),
        ("file/pier.gcode", "folder .*file is not a folder"),
        ("folder", "output .*folder is a folder; pass the name of a file in that folder"),
        ("pipe", "output .*pipe is a device or a pipe; allowed: a regular file"),
        ("x" * 300, "cannot write .*xxx: file name too long"),
    ):
        with pytest.raises(PathgenError, match=message) as caught, atomic_output(tmp_path / name):
            pass
        assert "\n" not in str(caught.value)
    assert names(tmp_path) == ["file", "folder", "pipe"]
    assert stat.S_ISFIFO(os.stat(tmp_path / "pipe").st_mode)


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is closed to root")
def test_closed_folders_and_protected_files(tmp_path):
    out = tmp_path / "shut" / "pier.gcode"
    out.parent.mkdir()
    out.write_bytes(b"before")
    out.chmod(0o444)
    with pytest.raises(PathgenError, match="write-protected"), atomic_output(out):
        pass
    out.parent.chmod(0o555)
    with pytest.raises(PathgenError, match="not writable"), atomic_output(out.with_name("new")):
        pass
    out.chmod(0o644)
    with pytest.raises(PathgenError, match="cannot write .*: permission denied"), atomic_output(out):
        pass
    out.parent.chmod(0o755)
    assert (names(out.parent), out.read_bytes()) == (["pier.gcode"], b"before")


@pytest.mark.parametrize(
    "write", [lambda s: s.write(b"x" * 3_000_000), lambda s: np.save(s, np.zeros(400_000))]
)
def test_a_failed_write_removes_the_file_and_is_reported(tmp_path, write):
    with largest_file(1_000_000), pytest.raises(PathgenError, match="cannot write .*pier.npy: "):
        with atomic_output(tmp_path / "pier.npy") as stream:
            write(stream)
    assert names(tmp_path) == []


def test_flushing_the_buffer_may_fail_too(tmp_path):
    with (
        largest_file(100),
        pytest.raises(PathgenError, match=r"file too large after 0\.0 MB; free some space"),
    ):
        with atomic_output(tmp_path / "pier.gcode") as stream:
            stream.write(b"x" * 200)
    assert names(tmp_path) == []


def test_a_full_disk_is_reported_with_the_size_reached(tmp_path):
    message = r"no space left on device after 2\.5 MB; free some space or choose another folder"
    with pytest.raises(PathgenError, match=message), atomic_output(tmp_path / "pier.gcode") as stream:
        stream.write(b"x" * 2_500_000)
        stream.flush()
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert names(tmp_path) == []


def test_errors_about_other_files_pass_through(tmp_path):
    with pytest.raises(FileNotFoundError), atomic_output(tmp_path / "pier.gcode"):
        (tmp_path / "photo.png").read_bytes()
    assert names(tmp_path) == []


def test_an_output_must_not_be_an_input(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    photo = tmp_path / "photo.png"
    photo.write_bytes(b"x")
    (tmp_path / "link.png").symlink_to(photo)
    os.link(photo, tmp_path / "hard.png")
    for out in ("photo.png", "./photo.png", photo, "link.png", "hard.png"):
        with pytest.raises(PathgenError, match=f"{out} is both an input and an output .--out."):
            check_outputs({"--out": out}, ["other.png", photo])
        with pytest.raises(PathgenError, match="--out and --map have the same path"):
            check_outputs({"--out": photo, "--map": out})
    with pytest.raises(PathgenError, match="is both an input and an output"):
        check_outputs({"--out": "new.png"}, ["new.png"])
    check_outputs({"--out": "pier.gcode", "--map": "pier.png"}, [photo, "photo2.png"])
    check_outputs({"--out": photo}, [])


@pytest.fixture
def other_thread():
    """A second thread, to which the system may deliver signals."""
    done = threading.Event()
    thread = threading.Thread(target=done.wait)
    thread.start()
    yield
    done.set()
    thread.join()


@pytest.mark.parametrize("handler", ["raises", "notes"])
def test_a_signal_amid_the_renaming_waits_for_its_end(tmp_path, monkeypatch, other_thread, handler):
    heard, real = [], os.replace

    def asked_to_end(*names):
        os.kill(os.getpid(), signal.SIGTERM)
        real(*names)

    def note(number, frame):
        heard.append(sorted(names(tmp_path)))
        if handler == "raises":
            raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, note)
    try:
        monkeypatch.setattr(os, "replace", asked_to_end)
        with pytest.raises(KeyboardInterrupt) if handler == "raises" else ExitStack():
            with atomic_outputs([tmp_path / "a", tmp_path / "b"]):
                pass
        assert signal.getsignal(signal.SIGTERM) is note
    finally:
        signal.signal(signal.SIGTERM, before)
    assert heard and all(found == ["a", "b"] for found in heard)
    assert names(tmp_path) == ["a", "b"]


def test_a_signal_amid_a_failure_is_not_lost(tmp_path, monkeypatch):
    heard = []

    def failing(*names):
        os.kill(os.getpid(), signal.SIGTERM)
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    before = signal.signal(signal.SIGTERM, lambda *came: heard.append(came[0]))
    try:
        monkeypatch.setattr(os, "replace", failing)
        with pytest.raises(PathgenError, match="read-only file system"):
            with atomic_output(tmp_path / "a"):
                pass
    finally:
        signal.signal(signal.SIGTERM, before)
    assert heard == [signal.SIGTERM]
    assert names(tmp_path) == []


def test_too_many_open_files(tmp_path, monkeypatch):
    def failing(number):
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

    monkeypatch.setattr(os, "dup", failing)
    with pytest.raises(PathgenError, match="cannot write .*a: too many open files"):
        with atomic_output(tmp_path / "a"):
            pass
    assert names(tmp_path) == []
