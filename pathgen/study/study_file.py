"""Reading a study: from its file, or from the head of a table that a study wrote."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta

from pathgen.errors import PathgenError, nearest
from pathgen.files.inputs import read_input_text
from pathgen.layers import find_fill
from pathgen.settings import Job
from pathgen.settings.loading import LIMIT, parse_table
from pathgen.settings.machine import Profile
from pathgen.settings.validation import typed
from pathgen.study.case_files import File, files_of, is_file
from pathgen.study.columns import COLUMNS, check_columns
from pathgen.study.designs import combinations, count
from pathgen.study.factors import PICTURE, Factor, Level, Values, checked, read_factor
from pathgen.study.results_table import Head, read_head

MOST = 2000  # cases, unless more are asked for: some minutes or some hours, never a slip of the pen

TABLE = {"allowed": "a table, such as [job]"}
TRUTH = {"allowed": "true or false"}


class FigureKeys(Profile, frozen=True):
    """What the figure sets against each other: names of columns that are measured."""

    across: str = "time_s"
    up: str = "thickness_rms_mm"


class StudyKeys(Profile, frozen=True):
    """A study file as it stands."""

    title: Annotated[str, Meta(max_length=200)] = ""
    design: Literal["grid", "latin-hypercube", "sobol", "table"] = "grid"
    samples: Annotated[int, Meta(ge=1, le=1_000_000)] | None = None
    seed: Annotated[int, Meta(ge=0, le=2**31 - 1)] = 0
    picture: str | None = None
    columns: tuple[str, ...] = ()
    layers: Annotated[int, Meta(ge=1, le=10_000)] = 7
    ends: Annotated[float, Meta(ge=0, le=1000, extra={"unit": "mm"})] = 1.0
    seen: Annotated[bool, Meta(extra=TRUTH)] = False
    figure: FigureKeys = FigureKeys()
    job: Annotated[dict[str, Any], Meta(extra=TABLE)] = {}
    factors: Annotated[dict[str, Any], Meta(extra={"allowed": "a table, [factors]"})] = {}
    case: Annotated[tuple[dict[str, Any], ...], Meta(extra={"allowed": "[[case]] before each case"})] = ()


@dataclass(frozen=True, slots=True)
class Ask:
    """What is measured of every case.

    Attributes
    ----------
    columns : tuple of str
    layers : int
        Layers that are judged where all would take long.
    ends : float
        Left out at either end of every stretch of wall, mm.
    seen : bool
        Whether the program is judged as a viewer will see it: through nozzle and spread of light.
    arrays : str
        The study's digest, to stand in the arrays of each case; empty where none are asked for.
    """

    columns: tuple[str, ...]
    layers: int = 7
    ends: float = 1.0
    seen: bool = False
    arrays: str = ""


@dataclass(frozen=True, slots=True)
class Case:
    """One panel of a study.

    Attributes
    ----------
    number : int
        From 1, in the design's order.
    labels : tuple
        Its level of each factor, as the table shows it.
    picture : str
        Name of its file, as the study has it.
    job : dict
        Keys of its job, plain values; files by the names the study has for them.
    """

    number: int
    labels: tuple[object, ...]
    picture: str
    job: Values

    @property
    def files(self) -> list[str]:
        """Names of the files it is made of."""
        named = (str(value) for key, value in self.job.items() if is_file(key, value))
        return list(dict.fromkeys([self.picture, *named]))


@dataclass(frozen=True, slots=True)
class Study:
    """A study that is ready to be made.

    Attributes
    ----------
    head : Head
        What stands over its table: text, files and versions.
    title : str
    factors : tuple of str
        Names, in the table's order.
    ranges : tuple of str
        Those of them that are drawn from a continuous range.
    cases : tuple of Case
    ask : Ask
    files : dict of str to File
        Contents of every file that a case names, by that name.
    across, up : str
        Columns of the figure.
    notes : tuple of str
        What the person should know.
    """

    head: Head
    title: str
    factors: tuple[str, ...]
    cases: tuple[Case, ...]
    ask: Ask
    files: dict[str, File]
    across: str
    up: str
    notes: tuple[str, ...] = ()
    ranges: tuple[str, ...] = ()


def load_study(path: str | Path, *, folder: str | Path | None = None, most: int = MOST) -> Study:
    """Load a study.

    Parameters
    ----------
    path : path
        A study file (TOML), or a table (``.csv``) that a study wrote, to repeat it from its own head.
    folder : path, optional
        Where the files it names are looked for. By default its own folder.
    most : int
        Cases that are not too many.

    Returns
    -------
    Study

    Raises
    ------
    PathgenError
        For whatever cannot be read, an unknown key or column, a value that a key cannot take, an empty or an
        enormous design, and, repeating a table, for files that are not the ones it was made of. What only
        a certain combination of levels contradicts is left to that case's row.
    """
    path, where = Path(path), str(path)
    before = read_head(path) if path.suffix.lower() == ".csv" else None
    if before is None:
        text = read_input_text(path, "a study file (TOML)", LIMIT).replace("\r\n", "\n")
        table = parse_table(text, where)
    else:
        table, text = _again(before.text, where), before.text
    keys = typed(table, StudyKeys, where)
    _check_job(keys.job, where)
    factors, cases, ranges = _designed(keys, where, most)
    ask = Ask(check_columns(keys.columns, f"{where}: columns"), keys.layers, keys.ends, keys.seen)
    named = [(key, value) for case in cases for key, value in (*case.job.items(), (PICTURE, case.picture))]
    files = files_of(named, Path(folder) if folder is not None else path.parent)
    head = Head.of(text, files)
    notes: tuple[str, ...] = ()
    if before is not None:
        notes = head.other_versions(before)
        replace(head, versions=before.versions).refuse_other(before, where)
    across, up = keys.figure.across, keys.figure.up
    return Study(head, keys.title, factors, cases, ask, files, across, up, notes, ranges)


def _again(text: str, where: str) -> dict[str, object]:
    try:
        return tomllib.loads(text)
    except ValueError as error:
        hint = "the lines that begin with #| are the study; they have been changed"
        raise PathgenError(f"no study in its head: {error}", where=where, hint=hint) from None


def _check_job(job: Mapping[str, object], where: str) -> None:
    if PICTURE in job:
        hint = "above [job], or under [factors] for several"
        raise PathgenError("the picture is no key of a job", where=f"{where}: job.picture", hint=hint)
    typed(dict(job), Job, f"{where}: job")


def _designed(
    keys: StudyKeys, where: str, most: int
) -> tuple[tuple[str, ...], tuple[Case, ...], tuple[str, ...]]:
    """Lay out the cases of a study; give its factors, its cases, and which factors are continuous."""
    ranges: tuple[str, ...] = ()
    if keys.design == "table":
        names, levels = _table(keys, where)
        _refuse_many(len(levels), most, where)
    else:
        if keys.case:
            raise PathgenError(
                "[[case]] in a " + keys.design, where=f"{where}: case", hint='design = "table"'
            )
        factors = [read_factor(name, value, where) for name, value in keys.factors.items()]
        _refuse_twice(factors, where)
        many = count(keys.design, factors, keys.samples, where)
        _refuse_many(many, most, where)
        names = tuple(factor.name for factor in factors)
        ranges = tuple(factor.name for factor in factors if not factor.levels)
        levels = list(combinations(keys.design, factors, many, keys.seed))
    cases = []
    for number, made in enumerate(levels, start=1):
        job: Values = dict(keys.job)
        if keys.picture is not None:
            job[PICTURE] = keys.picture
        for level in made:
            job |= level.sets
        shown_picture = job.pop(PICTURE, None)
        if not isinstance(shown_picture, str) or not shown_picture:
            hint = 'picture = "…" at the top, or a factor of that name'
            raise PathgenError(f"no picture for case {number}", where=f"{where}: picture", hint=hint)
        cases.append(Case(number, tuple(level.label for level in made), shown_picture, job))
    for fill in dict.fromkeys(str(case.job["fill"]) for case in cases if "fill" in case.job):
        find_fill(fill)
    return names, tuple(cases), ranges


def _table(keys: StudyKeys, where: str) -> tuple[tuple[str, ...], list[tuple[Level, ...]]]:
    """Read an explicit table: its factors are all keys that any case sets; empty where nothing sets one."""
    if keys.factors or keys.samples is not None:
        odd = "factors" if keys.factors else "samples"
        raise PathgenError(f"{odd} in a table", where=f"{where}: {odd}", hint="a table has [[case]] alone")
    if not keys.case:
        raise PathgenError(
            "a table without cases", where=f"{where}: case", allowed="[[case]] before each case"
        )
    names = tuple(dict.fromkeys(key for case in keys.case for key in case))
    shared = keys.job | ({PICTURE: keys.picture} if keys.picture else {})
    levels = []
    for number, case in enumerate(keys.case, start=1):
        place = f"{where}: case {number}"
        own = {key: value for key, value in case.items() if key != PICTURE}
        typed(own, Job, place)
        for key, value in case.items():
            checked(key, value, f"{place}: {key}")
        labels = [case.get(name, shared.get(name, "")) for name in names]
        sets = [{name: case[name]} if name in case else {} for name in names]
        levels.append(tuple(map(Level, labels, sets)))
    return names, levels


def _refuse_twice(factors: list[Factor], where: str) -> None:
    """Refuse two factors that set the same key: nothing says which of them counts."""
    owner: dict[str, str] = {}
    for factor in factors:
        for key in sorted(factor.keys):
            if key in owner:
                what = f"factors {owner[key]!r} and {factor.name!r} both set {key}"
                raise PathgenError(what, where=f"{where}: factors", allowed="one factor a key")
            owner[key] = factor.name


def _refuse_many(many: int, most: int, where: str) -> None:
    if many > most:
        hint = f"fewer levels, or --max-cases {many}"
        raise PathgenError(f"{many} cases", where=where, allowed=f"at most {most}", hint=hint)


def check_figure(study: Study) -> None:
    """Refuse a figure of columns that are not measured, or are no numbers, before any case is made.

    Raises
    ------
    PathgenError
        For such a column.
    """
    for key, name in (("across", study.across), ("up", study.up)):
        place = f"figure.{key}"
        measured = [n for n in study.ask.columns if COLUMNS[n].unit not in ("text", "yes/no")]
        if name not in measured:
            hint = nearest(name, measured) or f"add it to columns, or choose another with [figure] {key} = …"
            raise PathgenError(f"{name!r} is not measured as a number", where=place, hint=hint)
