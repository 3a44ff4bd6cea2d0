"""Reading and writing of program headers, as typed records.

A program of pathgen states what it was planned with, so it can be judged without any other file. `Header` is
both the record that is written and the one that is read back: each field carries its key in the text, its
format, and the option of `pathgen replay` that can state the value instead.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal, TypeVar, get_args, get_type_hints

from pathgen.errors import PathgenError
from pathgen.files.inputs import Input, input_name, not_text, open_input
from pathgen.gcode.read import read_program, reject_marks
from pathgen.settings import (
    Dialect,
    Machine,
    Material,
    digest,
    job_from,
    load_machine,
    load_material,
    machine_names,
    material_names,
    settle,
)
from pathgen.settings.validation import format_value

Span = tuple[float, float]

HEAD = 1 << 16  # bytes that are read for a header

# Keys of the second and later panels: "panel 2 width", "job 2 brim", "picture 2".
_OF_PANEL = re.compile(r"(?P<head>panel|job|picture|settings) (?P<number>[1-9]\d{0,3})(?P<rest>$| .*)")
# Comments are read alike in every dialect, so any dialect does for a header.
_ANY = Dialect("E", "relative", "mm", "semicolon", "machine", start="", finish="")


@dataclass(frozen=True, slots=True)
class Fact:
    """Header key and number format of a record's field.

    Attributes
    ----------
    key : str
    spec : str
        Format specification of the value.
    unit : str
        Written after the value.
    option : str
        Option of `pathgen replay` that states the value instead.
    """

    key: str
    spec: str = ""
    unit: str = ""
    option: str = ""

    def text(self, value: object) -> str:
        """Format a value with its unit, as it appears in a header."""
        return f"{value:{self.spec}} {self.unit}".rstrip()

    def number(self, text: str) -> float:
        """Parse a number that is followed by its unit.

        Raises
        ------
        PathgenError
            When the text does not begin with a finite number.
        """
        try:
            number = float(text.split()[0]) if text.strip() else math.nan
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            raise self.wrong(text, "a number, followed by its unit")
        return number

    def wrong(self, value: object, allowed: str) -> PathgenError:
        """Return the error for an invalid header value."""
        shown_value = f"{value:g}" if isinstance(value, float) else value
        hint = f"pass {self.option} to replace the value in the header" if self.option else ""
        return PathgenError(f"{self.key} = {shown_value}", where="header", allowed=allowed, hint=hint)


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFacts:
    """Job settings in a header that a replay uses; None for a missing key."""

    pixel: Annotated[float | None, Fact("job pixel", option="--pixel")] = None
    packing: Annotated[float | None, Fact("job packing", option="--packing")] = None
    thinnest: Annotated[float | None, Fact("job thinnest")] = None
    layer: Annotated[float | Literal["auto"] | None, Fact("job layer")] = None
    first_layer: Annotated[float | None, Fact("job first_layer")] = None
    bend: Annotated[float | None, Fact("job bend")] = None
    relief: Annotated[str | None, Fact("job relief")] = None
    turn: Annotated[float | None, Fact("job turn")] = None
    band: Annotated[str | None, Fact("job band")] = None
    overhang: Annotated[float | None, Fact("job overhang")] = None
    spacing: Annotated[float | None, Fact("job spacing")] = None
    rim_width: Annotated[float | None, Fact("job rim_width")] = None
    fill: Annotated[str | None, Fact("job fill")] = None
    lead: Annotated[str | None, Fact("job lead")] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """The header values of one panel of a program; None for a missing value.

    All keys of the job are written too, as ``job KEY``; `job` has those that are read back here.
    """

    settings: Annotated[str | None, Fact("settings")] = None
    picture: Annotated[str | None, Fact("picture")] = None
    machine: Annotated[str | None, Fact("machine")] = None
    material: Annotated[str | None, Fact("material")] = None
    width: Annotated[float | None, Fact("panel width", ".3f", "mm", "--width")] = None
    height: Annotated[float | None, Fact("panel height", ".3f", "mm")] = None
    layers: Annotated[float | None, Fact("panel layers")] = None
    rotation: Annotated[float | None, Fact("panel rotation", "g", option="--rotation")] = None
    x0: Annotated[float | None, Fact("panel origin x", ".3f", "mm", "--origin")] = None
    y0: Annotated[float | None, Fact("panel origin y", ".3f", "mm", "--origin")] = None
    roll: Annotated[float | None, Fact("panel roll")] = None
    low_u: Annotated[float | None, Fact("panel low u", ".3f", "mm")] = None
    high_u: Annotated[float | None, Fact("panel high u", ".3f", "mm")] = None
    low_n: Annotated[float | None, Fact("panel low n", ".3f", "mm")] = None
    high_n: Annotated[float | None, Fact("panel high n", ".3f", "mm")] = None
    filament_diameter: Annotated[float | None, Fact("filament diameter", "g", "mm")] = None
    job: JobFacts = JobFacts()

    @classmethod
    def read(
        cls, facts: Mapping[str, str], panel: int | None = None, without: frozenset[str] = frozenset()
    ) -> Header:
        """Parse the header values of one panel of a program.

        Parameters
        ----------
        facts : mapping of str to str
            Keys and values of the header's comments.
        panel : int, optional
            Number of the panel, from 1; by default the first.
        without : frozenset of str
            Fields that are not read, as a person states them.

        Raises
        ------
        PathgenError
            For a number that cannot be read, and for a panel that the program does not have.
        """
        own = panel_facts(facts, panel)
        return replace(_read(cls, own, without), job=_read(JobFacts, own, without))

    @property
    def has_frame(self) -> bool:
        """Whether the header contains any value for the position or the size of the panel."""
        frame = (self.width, self.height, self.layers, self.rotation, self.x0, self.y0, self.roll, self.low_u)
        return any(value is not None for value in frame)

    @property
    def box(self) -> tuple[Span, Span] | None:
        """Extent of the panel's own deposits along u and n, mm; None for a program with a single panel."""
        if self.low_u is None:
            return None
        return (self.low_u, require(self, "high_u")), (require(self, "low_n"), require(self, "high_n"))

    def lines(self) -> list[tuple[str, str]]:
        """Return the key and the text of each header value, except those of the job."""
        values = ((fact, getattr(self, name)) for name, (fact, _) in _FACTS[type(self)].items())
        return [(fact.key, fact.text(value)) for fact, value in values if value is not None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """Header values known only when a program is complete; blank in a truncated program."""

    moves: Annotated[str, Fact("moves")]
    time: Annotated[str, Fact("time")]
    filament: Annotated[str, Fact("filament")]
    mass: Annotated[str, Fact("mass")]
    deposit_x: Annotated[str, Fact("deposit x")]
    deposit_y: Annotated[str, Fact("deposit y")]
    deposit_z: Annotated[str, Fact("deposit z")]
    reach_x: Annotated[str, Fact("reach x")]
    reach_y: Annotated[str, Fact("reach y")]
    reach_z: Annotated[str, Fact("reach z")]

    @staticmethod
    def keys() -> list[str]:
        """List the keys for which a writer reserves space."""
        return [fact.key for fact, _ in _FACTS[Totals].values()]

    def lines(self) -> dict[str, str]:
        """Return the formatted header values by key."""
        return {fact.key: getattr(self, name) for name, (fact, _) in _FACTS[Totals].items()}


Facts = TypeVar("Facts", Header, JobFacts)


def _spellings(kind: type) -> dict[str, tuple[Fact, tuple[Any, ...]]]:
    """List the header keys of a record's fields, with the valid types of their values."""
    hints = get_type_hints(kind, include_extras=True)
    return {
        name: (mark, get_args(get_args(hint)[0]))
        for name, hint in hints.items()
        for mark in getattr(hint, "__metadata__", ())
        if isinstance(mark, Fact)
    }


_FACTS: dict[type, dict[str, tuple[Fact, tuple[Any, ...]]]] = {
    kind: _spellings(kind) for kind in (Header, JobFacts, Totals)
}


def _read(kind: type[Facts], facts: Mapping[str, str], without: frozenset[str]) -> Facts:
    values: dict[str, Any] = {}
    for name, (fact, types) in _FACTS[kind].items():
        text = facts.get(fact.key)
        if text is not None and name not in without:
            is_text = float not in types or text in (word for kind in types for word in get_args(kind))
            values[name] = text if is_text else fact.number(text)
    return kind(**values)


def list_statable() -> dict[str, str]:
    """List the header keys that a command-line option can replace, each with its option."""
    facts = [*_FACTS[Header].values(), *_FACTS[JobFacts].values()]
    return {fact.key: fact.option for fact, _ in facts if fact.option}


def find_fact(record: Header | JobFacts, name: str) -> Fact:
    """Return the header key and the format of a record's field."""
    return _FACTS[type(record)][name][0]


def require(record: Header | JobFacts, name: str) -> float:
    """Return a header value that is needed to locate the panel; reject a missing one.

    Raises
    ------
    PathgenError
        When the header lacks it.
    """
    value = getattr(record, name)
    if value is None:
        fact = find_fact(record, name)
        option = f"pass {fact.option}" if fact.option else "use a program that pathgen wrote"
        raise PathgenError(f"{fact.key!r} is missing in the header", where="header", hint=option)
    return float(value)


def read_facts(source: Input) -> dict[str, str]:
    r"""Read the comments of a program's header, and nothing else.

    Parameters
    ----------
    source : bytes, path or binary stream

    Returns
    -------
    dict of str to str
        Values by key; empty where there is no header.

    Raises
    ------
    PathgenError
        When the file cannot be opened, is empty, or is not text.

    Examples
    --------
    >>> read_facts(b"; pathgen 1.0\n; panel rotation = 90\n; job pixel = 0.1\nG21\n")
    {'panel rotation': '90', 'job pixel': '0.1'}
    """
    where = input_name(source)
    with open_input(source, "a G-code program") as stream:
        head = stream.read(HEAD)
    if not head:
        raise PathgenError("the file is empty", where=where, allowed="a G-code program")
    if b"\0" in head:
        raise not_text(where, "a G-code program")
    reject_marks(head)
    lines = []
    for line in head.split(b"\n")[:-1]:
        if line.strip()[:1] not in (b"", b";", b"(", b"%"):
            break
        lines.append(line + b"\n")
    # Damaged lines are left to the checks of the whole program.
    return read_program(b"".join(lines), _ANY, 1.75, max_faults=len(lines) + 1).header


def machine_for(facts: Mapping[str, str], given: Machine | None = None) -> Machine:
    """Return `machine`, or the shipped machine that the header names.

    Raises
    ------
    PathgenError
        When there is neither.
    """
    return given or load_machine(_shipped_name("machine", facts, machine_names()))


def material_for(facts: Mapping[str, str], given: Material | None = None) -> Material:
    """Return `material`, or the shipped material that the header names.

    Raises
    ------
    PathgenError
        When there is neither.
    """
    return given or load_material(_shipped_name("material", facts, material_names()))


def _shipped_name(what: str, facts: Mapping[str, str], known: list[str]) -> str:
    """Return the header's profile name, which must be that of a shipped profile, never a path."""
    if what not in facts:
        raise PathgenError(
            f"{what!r} is missing in the header",
            where="header",
            hint=f"pass the name of the {what} with --{what}",
        )
    if facts[what] not in known:
        text = f"{what} = {format_value(facts[what])} is not a shipped profile"
        raise PathgenError(text, where="header", hint=f"pass the profile file of the {what} with --{what}")
    return facts[what]


def panel_facts(facts: Mapping[str, str], panel: int | None = None) -> dict[str, str]:
    """Return the header values of one panel, under the keys of a single-panel program.

    Parameters
    ----------
    facts : mapping of str to str
        Of a whole header.
    panel : int, optional
        Number of the panel, from 1; by default the first.

    Raises
    ------
    PathgenError
        When the program has fewer panels.

    Examples
    --------
    >>> panel_facts({"panels": "2", "job brim": "10", "job 2 brim": "5"}, 2)
    {'panels': '2', 'job brim': '5'}
    """
    text = facts.get("panels", "")
    count = int(text) if text.isascii() and text.isdigit() and len(text) < 5 else 1
    if panel is not None and not 1 <= panel <= count:
        allowed = f"1 to {count}" if count > 1 else "1, as the program makes a single panel"
        raise PathgenError(f"panel is {panel}", where="replay", allowed=allowed)
    common, own = {}, {}
    for key, value in facts.items():
        match = _OF_PANEL.match(key)
        if match is None:
            common[key] = value
        elif int(match["number"]) == panel:
            own[match["head"] + match["rest"]] = value
    return common | own


def number_key(key: str, panel: int) -> str:
    """Return the header key for the second or a later panel.

    Examples
    --------
    >>> number_key("panel width", 2), number_key("settings", 3)
    ('panel 2 width', 'settings 3')
    """
    head, space, rest = key.partition(" ")
    return f"{head} {panel}{space}{rest}"


def digest_note(facts: Mapping[str, str], machine: Machine, material: Material) -> list[str]:
    """Return a note if a header's settings differ from the shipped profiles that it names.

    A profile of the user's own may have a shipped name; the digest in the header covers its contents.
    """
    keys = {key.removeprefix("job "): value for key, value in facts.items() if key.startswith("job ")}
    try:
        setup = settle(job_from(keys, "header"), machine, material)
    except PathgenError:
        return []
    # A version of pathgen with other keys has another digest for the same settings.
    known = {key for key, value in setup.keys().items() if value not in (None, ())}
    if known - {"machine", "material"} != set(keys) or facts.get("settings") in (None, digest(setup)):
        return []
    names = f"{machine.name} and {material.name}"
    hint = "if it was made with profiles of your own, name them"
    return [f"settings differ from those of the shipped profiles {names}; {hint}"]
