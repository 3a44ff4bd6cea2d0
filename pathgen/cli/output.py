"""Output of the commands: results as lines or as one JSON object, and errors."""

from __future__ import annotations

import errno
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, TypeVar

import click

from pathgen.errors import PathgenError, printable

F = TypeVar("F", bound=Callable[..., Any])

JSON = "pathgen.json"  # key of the context's `meta`: the command has --json
LONGEST = 1500  # characters of an error line: a file name in it may have any length


class ClosedPipeError(Exception):
    """The process that reads standard output has exited, as in `pathgen machines | head -1`."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The result of a command.

    Attributes
    ----------
    facts : mapping
        For --json; keys of numbers end in their unit.
    lines : sequence of str
        For people.
    code : int
        Exit code.
    aside : bool
        Print the lines on stderr: standard output carries a file.
    """

    facts: Mapping[str, object]
    lines: Sequence[str]
    code: int = 0
    aside: bool = False


def print_answer(answer: Answer, as_json: bool) -> int:
    """Print a result and return its exit code."""
    _echo(json_text(answer.facts) if as_json else "\n".join(answer.lines), err=answer.aside)
    return answer.code


def print_error(error: PathgenError, code: int, as_json: bool) -> int:
    """Print an error on stderr and, with --json, as an object on stdout; return the exit code."""
    text = str(error)
    text = text if len(text) <= LONGEST else f"{text[:LONGEST]} … and {len(text) - LONGEST:,} more characters"
    with suppress(OSError):  # stderr may be closed
        click.echo(f"error: {text}", err=True)
    if as_json:
        parts = {key: getattr(error, key) for key in ("what", "where", "allowed", "hint")}
        _echo(json_text({"error": parts | {"exit_code": code}}))
    return code


def json_text(facts: object) -> str:
    """Format JSON for a terminal or a pipe."""
    return json.dumps(facts, indent=1, ensure_ascii=False, allow_nan=False)


def write_stdout(data: bytes) -> None:
    """Write a file to standard output."""
    try:
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
    except OSError as error:
        raise _worded(error) from None


def format_count(number: int, noun: str) -> str:
    """Format a count followed by its noun.

    Examples
    --------
    >>> format_count(1, "error"), format_count(1200, "note")
    ('1 error', '1,200 notes')
    """
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def json_option(function: F) -> F:
    """Add --json and --schema to a command."""
    for name, callback, text in (
        ("--schema", _print_schema, "Print the JSON schema for the --json output and exit."),
        ("--json", _note_json, "Print the result or the error as one JSON object."),
    ):
        flag = click.option(
            name, is_flag=True, is_eager=True, expose_value=False, callback=callback, help=text
        )
        function = flag(function)
    return function


def _note_json(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    ctx.meta[JSON] = value


def _print_schema(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    if value:
        from pathgen.cli.schema import command_schema

        assert ctx.command.name is not None
        _echo(json_text(command_schema(ctx.command.name)))
        ctx.exit()


def _echo(text: str, err: bool = False) -> None:
    """Print lines, with escapes for control characters that a terminal would interpret."""
    try:
        click.echo("\n".join(printable(line) for line in text.split("\n")), err=err)
    except OSError as error:
        raise _worded(error) from None


def _worded(error: OSError) -> Exception:
    if error.errno in (errno.EPIPE, errno.ESHUTDOWN):
        return ClosedPipeError()
    reason = (error.strerror or str(error)).lower()
    return PathgenError(
        f"cannot write to standard output: {reason}", hint="all other output files are complete"
    )
