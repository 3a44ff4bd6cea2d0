"""The command line: `pathgen COMMAND`. Only this package imports click, prints or exits.

Commands are imported when they are called, so `pathgen --help` starts quickly.
"""

from __future__ import annotations

import logging
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
from click.shell_completion import CompletionItem

from pathgen.cli.output import Answer, ClosedPipeError, print_answer, print_error
from pathgen.errors import PathgenError, nearest

COMMANDS = {
    "panel": "Turn a photograph or a thickness map into a machine program.",
    "picture": "Prepare a photograph and report detail and tones that the panel cannot show.",
    "replay": "Simulate a program: the panel it deposits and the backlit picture.",
    "check": "Check a program for errors that make it unsafe to run.",
    "coupon": "List the calibration prints, or make one with its measurement sheet.",
    "fit": "Turn a coupon's measurements into a machine or material profile.",
    "study": "Measure panels over ranges of settings and write one table.",
    "machines": "List the machine and material profiles, or print one.",
}


class _Commands(click.Group):
    """Command group; each command is defined in the module with its name."""

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
            raise click.UsageError(
                f"unknown command {args[0]!r}; {hint or 'commands: ' + ', '.join(COMMANDS)}"
            )
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))
        with formatter.section("Exit codes"):
            formatter.write_dl([(str(code), text) for code, text in EXIT_CODES.items()])

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Complete the names of commands and options without importing any command."""
        if incomplete.startswith("-"):
            return click.Command.shell_complete(self, ctx, incomplete)
        return [CompletionItem(k, help=v) for k, v in COMMANDS.items() if k.startswith(incomplete)]


EXIT_CODES = {
    0: "done",
    1: "rejected or failed",
    2: "wrong usage",
    3: "unsafe: the check found errors in a program (`panel` and `coupon` then write nothing)",
}
FAILURES = (PathgenError, click.ClickException, click.Abort, KeyboardInterrupt, MemoryError, OSError)
BROKEN_PIPE = 141  # as a shell reports a process that SIGPIPE ended
FIRST_STEPS = (
    "First panel: pathgen panel photo.jpg --out photo.gcode --report photo.html. Then run pathgen check "
    "photo.gcode and follow the safety list. A hot machine must not be left alone. Every command has --help, "
    "and --json for scripts."
)
STOPS = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
CLEANUP = 5.0  # s; enough to remove the hidden files of a stopped run
STOPPED = PathgenError("the command was stopped; no incomplete files remain")
SETTINGS = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


@click.command(cls=_Commands, context_settings=SETTINGS, epilog=FIRST_STEPS)
@click.option("-v", "--verbose", is_flag=True, help="Log each stage and its time on stderr.")
@click.version_option(package_name="pathgen", message="%(prog)s %(version)s")
def _group(verbose: bool) -> None:
    """Turn a photograph into a machine program for a thin backlit relief panel, without a mesh."""
    if verbose:
        logging.basicConfig(format="%(name)s: %(message)s")
        logging.getLogger("pathgen").setLevel(logging.INFO)


def main(args: list[str] | None = None) -> None:
    """Run the command line and exit with one of `EXIT_CODES`."""
    try:
        _prepare()
        code = _flushed(run(args))
    except KeyboardInterrupt:  # before the first line of `run`, or after its last
        _ignore_stops()
        code = print_error(STOPPED, 1, False)
    sys.exit(code)


def _flushed(code: int) -> int:
    """Flush standard output and return the exit code."""
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except OSError as error:
        code = code or (BROKEN_PIPE if isinstance(error, BrokenPipeError) else 1)
        # The interpreter would try to flush the buffer again at exit, and print another error.
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return code


def _prepare() -> None:
    """Prepare the process: handle termination like Ctrl-C, and reserve the standard streams."""
    stop = _Stop()
    for number in STOPS:
        usual = signal.getsignal(number)
        if usual in (signal.SIG_DFL, signal.default_int_handler) or isinstance(usual, _Stop):  # keep nohup's
            signal.signal(number, stop)
    sys.unraisablehook = _on_unraisable
    for number in range(3):  # an output file must not get the number of a closed standard stream
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    if isinstance(sys.stdout, TextIOWrapper):  # its encoding may lack × or a file name's characters
        sys.stdout.reconfigure(errors="backslashreplace")


class _Stop:
    """Raise KeyboardInterrupt on the first signal, and ignore further signals during the cleanup."""

    def __init__(self) -> None:
        self._until = -math.inf

    def __call__(self, number: int, frame: FrameType | None) -> None:
        now = time.monotonic()
        if now >= self._until:
            self._until = now + CLEANUP
            raise KeyboardInterrupt


def _on_unraisable(lost: Any) -> None:
    """Raise KeyboardInterrupt again if Python discarded it, as in the callback of a weak reference."""
    if lost.exc_type is not KeyboardInterrupt:
        sys.__unraisablehook__(lost)
    elif hasattr(signal, "setitimer") and signal.getsignal(signal.SIGINT) is not _ignore:
        signal.signal(signal.SIGALRM, signal.default_int_handler)
        signal.setitimer(signal.ITIMER_REAL, 0.01)


def _ignore_stops() -> None:
    """Ignore further signals after a stop, so that they do not interrupt the last message."""
    for number in STOPS:
        if isinstance(signal.getsignal(number), _Stop):
            signal.signal(number, _ignore)
    if hasattr(signal, "setitimer") and signal.getsignal(signal.SIGALRM) is signal.default_int_handler:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, _ignore)


def _ignore(number: int, frame: FrameType | None) -> None:
    """Do nothing. With SIG_IGN, Python would report a signal that arrived shortly before."""


def run(args: list[str] | None = None) -> int:
    """Run the command line, print its result or its error, and return the exit code."""
    args = sys.argv[1:] if args is None else args
    as_json = "--json" in (args[: args.index("--")] if "--" in args else args)
    try:
        answer = _called(args)
        return print_answer(answer, as_json) if isinstance(answer, Answer) else answer
    except FAILURES as error:
        found, code = _worded(error)
        with suppress(ClosedPipeError, PathgenError):  # standard output failed; the line on stderr remains
            return print_error(found, code, as_json)
        return code
    except ClosedPipeError:
        return BROKEN_PIPE


def _called(args: list[str]) -> Answer | int:
    """Call a command and return its result, or the exit code if there is no result."""
    with warnings.catch_warnings():
        # A font without a character of a file name shows a box instead; the warning adds nothing.
        warnings.filterwarnings("ignore", message=r"Glyph \d+ .*missing from")
        try:
            answer = _group.main(args, prog_name="pathgen", standalone_mode=False)
        except click.exceptions.NoArgsIsHelpError as error:
            click.echo(error.format_message())
            return 2
        except SystemExit as end:  # click: after completion, or after a closed pipe
            return BROKEN_PIPE if end.code and "_PATHGEN_COMPLETE" not in os.environ else int(end.code or 0)
    return answer if isinstance(answer, Answer | int) else 0


def _worded(error: BaseException) -> tuple[PathgenError, int]:
    """Convert an exception to the command's error and exit code."""
    if isinstance(error, PathgenError):
        return error, error.exit_code
    if isinstance(error, click.UsageError):
        hint = f"see {error.ctx.command_path} --help" if error.ctx else ""
        return PathgenError(error.format_message().rstrip("."), hint=hint), 2
    if isinstance(error, click.ClickException):
        return PathgenError(error.format_message()), 1
    if isinstance(error, MemoryError):
        hint = "use a larger --pixel or a smaller panel"
        return PathgenError("not enough memory for a panel of this size", hint=hint), 1
    if isinstance(error, OSError):
        return PathgenError(f"operating system error: {error.strerror or error}"), 1
    _ignore_stops()
    return STOPPED, 1
