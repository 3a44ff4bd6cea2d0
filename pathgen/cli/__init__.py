"""The command line: `pathgen COMMAND`. The only place that imports click, prints or exits.

Commands are loaded when they are called, so that `pathgen --help` answers at once.
"""

from __future__ import annotations

import math
import os
import signal
import sys
import time
import warnings
from contextlib import suppress
from importlib import import_module
from io import TextIOWrapper
from types import FrameType
from typing import Any

import click

from pathgen.errors import PathgenError, nearest, printable

COMMANDS = {
    "panel": "Turn a photograph or a thickness map into a machine's program.",
    "picture": "Prepare a photograph for a panel, and say what the panel will lose of it.",
    "replay": "Lay down a written program and say what it will show.",
    "check": "Prove from a written program's text that nothing of it is unsafe.",
    "coupon": "List the calibration prints, or make one with its reading sheet.",
    "fit": "Turn a coupon's readings into a machine's or a material's figures.",
    "study": "Measure many panels over ranges of settings, as one table that can be repeated.",
    "machines": "List the machine and material profiles, or show one.",
}


class _Commands(click.Group):
    """A group whose commands live in modules of the same name."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command = getattr(import_module(f"pathgen.cli.{cmd_name}"), f"{cmd_name}_command")
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            hint = nearest(args[0], COMMANDS)
            raise click.UsageError(f"no command {args[0]!r}; {hint or 'commands: ' + ', '.join(COMMANDS)}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


FIRST_STEPS = (
    "A first panel: pathgen panel photo.jpg --out photo.gcode --report photo.html; then pathgen check "
    "photo.gcode, and its list, before it runs: hot metal for hours is not to be left alone. "
    "pathgen COMMAND --help says what each takes."
)
LONGEST = 1500  # characters of a refusal: a name in it may have any length
STOPS = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
CLEARING = 5.0  # s; the hidden files of a stopped run are removed in less
STOPPED = "stopped; no file was left half written"
SETTINGS = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


@click.command(cls=_Commands, context_settings=SETTINGS, epilog=FIRST_STEPS)
@click.version_option(package_name="pathgen", message="%(prog)s %(version)s")
def _group() -> None:
    """From a photograph to the program of a thin backlit relief panel, without a mesh."""


def main(args: list[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 1 failed or refused, 2 wrong usage."""
    try:
        _prepare()
        code = _flushed(run(args))
    except KeyboardInterrupt:  # before the first line of `run`, or after its last
        _hear_no_more()
        code = _refuse(STOPPED, 1)
    sys.exit(code)


def _flushed(code: int) -> int:
    """Have all that was said written out; give the exit code."""
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except OSError:
        code = code or 1
        # What is still buffered would fail once more, and be complained of, when the interpreter ends.
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return code


def _prepare() -> None:
    """Ready the process: being asked to end is Ctrl-C, and no file of ours is taken for standard output."""
    stop = _Stop()
    for number in STOPS:
        usual = signal.getsignal(number)
        if usual in (signal.SIG_DFL, signal.default_int_handler) or isinstance(usual, _Stop):  # nohup's stays
            signal.signal(number, stop)
    sys.unraisablehook = _unheard
    for number in range(3):  # whoever started us may have closed one; libraries write to it by number
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    if isinstance(sys.stdout, TextIOWrapper):  # a terminal may have no sign for ×, or for a file's name
        sys.stdout.reconfigure(errors="backslashreplace")


class _Stop:
    """Ends a run in good order when asked to. Asking again soon would only break off the clearing up."""

    def __init__(self) -> None:
        self._until = -math.inf

    def __call__(self, number: int, frame: FrameType | None) -> None:
        now = time.monotonic()
        if now >= self._until:
            self._until = now + CLEARING
            raise KeyboardInterrupt


def _unheard(lost: Any) -> None:
    """Ask once more where a request to end came amid what swallows exceptions, such as a weakref's end."""
    if lost.exc_type is not KeyboardInterrupt:
        sys.__unraisablehook__(lost)
    elif hasattr(signal, "setitimer") and signal.getsignal(signal.SIGINT) is not _heard:
        signal.signal(signal.SIGALRM, signal.default_int_handler)
        signal.setitimer(signal.ITIMER_REAL, 0.01)


def _hear_no_more() -> None:
    """Pass over what comes once a run has been stopped: it would break off but the last word."""
    for number in STOPS:
        if isinstance(signal.getsignal(number), _Stop):
            signal.signal(number, _heard)
    if hasattr(signal, "setitimer") and signal.getsignal(signal.SIGALRM) is signal.default_int_handler:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, _heard)


def _heard(number: int, frame: FrameType | None) -> None:
    """Do nothing. To ignore the signal would have Python complain of one that came just before."""


def run(args: list[str] | None = None) -> int:
    """Run the command line and give the exit code; every refusal is one `error:` line on stderr."""
    try:
        with warnings.catch_warnings():
            # A sign of a file's name that a drawing's font lacks is drawn as a box; it says so by itself.
            warnings.filterwarnings("ignore", message=r"Glyph \d+ .*missing from")
            code = _group.main(args, prog_name="pathgen", standalone_mode=False)
        return code if isinstance(code, int) else 0
    except PathgenError as error:
        return _refuse(str(error), error.exit_code)
    except click.exceptions.NoArgsIsHelpError as error:
        with suppress(OSError):
            click.echo(error.format_message())
        return 2
    except click.UsageError as error:
        command = f" (see {error.ctx.command_path} --help)" if error.ctx else ""
        return _refuse(error.format_message() + command, 2)
    except click.ClickException as error:
        return _refuse(error.format_message(), 1)
    except (click.Abort, KeyboardInterrupt):
        _hear_no_more()
        return _refuse(STOPPED, 1)
    except MemoryError:
        return _refuse("not enough memory for a panel of this size; enlarge --pixel or make it smaller", 1)
    except SystemExit:  # click ends so where it cannot write its help
        return _refuse("standard output was closed before everything was said", 1)
    except OSError as error:
        return _refuse(f"the system refused: {error.strerror or error}", 1)


def _refuse(text: str, code: int) -> int:
    text = printable(" ".join(text.split()))
    text = text if len(text) <= LONGEST else f"{text[:LONGEST]} … and {len(text) - LONGEST:,} characters more"
    with suppress(OSError):  # nobody listens
        click.echo(f"error: {text}", err=True)
    return code
