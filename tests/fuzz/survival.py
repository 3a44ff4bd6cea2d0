"""What every command line has to survive, whatever its files hold, and how files are spoilt.

A case passes when the exit code is 0, 1 or 2; nothing is raised, no warning given and no hang begun; what is
not 0 comes with one `error:` line and without a file; nothing that a terminal would obey is said.
"""

import io
import json
import os
import random
import shutil
import signal
import traceback
from collections import Counter
from contextlib import contextmanager, redirect_stderr, redirect_stdout

import pytest

from pathgen.cli import run

FEW, MANY = 30, 10_000
COUNTS = pytest.mark.parametrize("count", [FEW, pytest.param(MANY, marks=pytest.mark.slow)])
LONGEST = 60  # s; a case takes some hundredths
NUMBERS = (
    "0", "-0", "-1", "1", "0.5", ".", "-", "", "1e5", "1e400", "nan", "inf", "-inf", "99999999", "1.0000001",
    "255", "65536", "2147483648", "9" * 400, "0x10", "1_000", "1,5", "٣", "²", "1e-320", "true", "''", "[]",
)  # fmt: skip
NASTY = (
    b"\0", b"\xff", b"\x1b[2J", b"\r", b"\n", b"\r\n", b"\t", b'"', b"'", b"(", b")", b";", b"%", b"#", b"=",
    b"[", b"]", b"{", b"}", b",", b"\xef\xbb\xbf", b"\xe2\x80\xae", b"\xc2\x9b", b"\xe2\x80\xa8",
)  # fmt: skip


class Hang(BaseException):
    """A case took too long; no exception that a program would catch."""


@contextmanager
def watched():
    def ring(*_):
        raise Hang(f"over {LONGEST} s")

    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(LONGEST)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def survives(args, out, *, judges=False):
    """Run a command line whose outputs are the only files in the folder `out`; give code and words.

    A command that judges prints the errors that it finds, and then exits with 3.
    """
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir()
    said, refused = io.StringIO(), io.StringIO()
    with watched(), redirect_stdout(said), redirect_stderr(refused):
        code = run(list(map(str, args)))
    said, refused = said.getvalue(), refused.getvalue()
    made = sorted(os.listdir(out))
    asked = sorted(str(arg).rpartition("/")[2] for arg in args if str(arg).startswith(f"{out}/"))
    assert code in (0, 1, 2, 3), code
    if code == 3 and judges:
        assert refused == ""
    elif code:
        assert made == [], made
        assert refused.startswith("error: ") and refused.count("\n") == 1, (said, refused)
        assert json.loads(said)["error"]["exit_code"] == code if "--json" in args else not said, said
        assert len(refused) < 3000, refused
    else:
        assert made == asked
        assert refused == "", refused
    assert all(line.isprintable() for line in (said + refused).split("\n")), (said, refused)
    return code, refused or said


def tally(cases, count, seed):
    """Run numbered cases, count how they end, and name one case of every kind that fails."""
    ends, failed = Counter(), {}
    for number in range(count):
        dice = random.Random(f"{seed} {number}")
        try:
            code, _ = cases(dice)
        except (Exception, Hang) as error:
            place = traceback.extract_tb(error.__traceback__)[-1]
            failed.setdefault((type(error).__name__, place.filename, place.lineno), (number, str(error)))
            code = "failed"
        ends[code] += 1
    print(f"{seed}: {count} cases, exit codes {dict(ends)}")
    told = [f"case {n}: {kind[0]} at {kind[1]}:{kind[2]}: {said[:300]}" for kind, (n, said) in failed.items()]
    assert not failed, "\n".join([f"{seed}: {ends['failed']} of {count}", *told])
    return ends


def spoil_bytes(data, dice, others=()):
    """Spoil a file: a few of the things that happen to files, and some that are done to them."""
    data = bytearray(data)
    for _ in range(dice.choice((1, 1, 1, 2, 3, 8))):
        at, span = dice.randrange(len(data) + 1), dice.choice((1, 1, 2, 4, 16, 200))
        how = dice.randrange(9)
        if how == 0 and at < len(data):
            data[at] ^= 1 << dice.randrange(8)
        elif how == 1 and at < len(data):
            data[at] = dice.choice((0, 1, 0x7F, 0x80, 0xFF, dice.randrange(256)))
        elif how == 2:
            del data[at : at + span]
        elif how == 3:
            data[at:at] = data[at : at + span]
        elif how == 4:
            data[at:at] = dice.randbytes(span)
        elif how == 5:
            big = dice.choice((0, 1, 0x7FFF, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF))
            data[at : at + 4] = big.to_bytes(4, dice.choice(("big", "little")))
        elif how == 6 and dice.random() < 0.3:
            del data[at:]
        elif how == 7:
            data[at:at] = dice.choice(NASTY)
        elif how == 8 and others:
            other = dice.choice(others)
            data[at : at + span] = other[at : at + span]
    return bytes(data)


def spoil_text(text, dice, numbers=NUMBERS):
    """Spoil lines of text: leave out, repeat, swap, change a number or a word for another of the text."""
    lines = text.split("\n")
    for _ in range(dice.choice((1, 1, 1, 2, 3, 6))):
        at, how = dice.randrange(len(lines)), dice.randrange(9)
        if how == 0 and len(lines) > 1:
            del lines[at]
        elif how == 1:
            lines.insert(dice.randrange(len(lines)), lines[at])
        elif how == 2:
            other = dice.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        elif how in (3, 4, 5):
            lines[at] = _number_changed(lines[at], dice, numbers)
        elif how == 6:
            words, others = lines[at].split(" "), dice.choice(lines).split(" ")
            words[dice.randrange(len(words))] = dice.choice(others)
            lines[at] = " ".join(words)
        elif how == 7:
            cut = dice.randrange(len(lines[at]) + 1)
            lines[at] = lines[at][:cut] + dice.choice(NASTY).decode("latin-1") + lines[at][cut:]
        elif how == 8 and len(lines) > 3 and dice.random() < 0.2:
            del lines[at + 1 :]
    return "\n".join(lines) or "\n"


def _number_changed(line, dice, numbers):
    """Change one number of a line, where it has any."""
    spans, start = [], None
    for i, mark in enumerate(line + " "):
        if mark.isdigit() or mark in "+-.":
            start = i if start is None else start
        elif start is not None:
            spans.append((start, i))
            start = None
    if not spans:
        return line
    low, high = dice.choice(spans)
    if dice.random() < 0.5:
        try:
            value = float(line[low:high]) * dice.choice((-1, 0.1, 0.5, 0.99, 1.01, 2, 10, 1000))
            return f"{line[:low]}{value:.6g}{line[high:]}"
        except ValueError:
            pass
    return line[:low] + dice.choice(numbers) + line[high:]
