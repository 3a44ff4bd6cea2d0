"""Reading of a study from a study file, or from the header of a results table."""

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
from pathgen.study.case_files import File, is_file, read_files
from pathgen.study.columns import COLUMNS, check_columns
from pathgen.study.designs import combinations, count_cases
from pathgen.study.factors import PICTURE, Factor, Level, Values, check_value, read_factor
from pathgen.study.results_table import Head, read_head

Names = tuple[str, ...]

MAX_CASES = 2000  # default maximum of cases, minutes to hours of work; more are probably a mistake


class FigureKeys(Profile, frozen=True):
    """Measured columns for the axes of the figure."""

    across: str = "time_s"
    up: str = "thickness_rms_mm"


class StudyKeys(Profile, frozen=True):
    """Keys of a study file."""

    title: Annotated[str, Meta(max_length=200)] = ""
    design: Literal["grid", "latin-hypercube", "sobol", "table"] = "grid"
    samples: Annotated[int, Meta(ge=1, le=1_000_000)] | None = None
    seed: Annotated[int, Meta(ge=0, le=2**31 - 1)] = 0
    picture: str | None = None
    columns: tuple[str, ...] = ()
    layers: Annotated[int, Meta(ge=1, le=10_000)] = 7
    ends: Annotated[float, Meta(ge=0, le=1000, extra={"unit": "mm"})] = 1.0
    viewed: Annotated[bool, Meta(extra={"allowed": "true or false"})] = False
    figure: FigureKeys = FigureKeys()
    job: Annotated[dict[str, Any], Meta(extra={"allowed": "a table, such as [job]"})] = {}
    factors: Annotated[dict[str, Any], Meta(extra={"allowed": "a table, [factors]"})] = {}
    case: Annotated[tuple[dict[str, Any], ...], Meta(extra={"allowed": "[[case]] before each case"})] = ()

    @property
    def shared(self) -> Values:
        """Keys of all cases, including the picture."""
        return self.job | ({PICTURE: self.picture} if self.picture else {})


@dataclass(frozen=True, slots=True)
class Request:
    """Measurements requested for every case.

    Attributes
    ----------
    columns : tuple of str
    layers : int
        Number of layers to sample for the columns that would take long on all layers.
    ends : float
        Length to exclude at both ends of every stretch of wall, mm.
    viewed : bool
        Whether to compare the wall as viewed: blurred by the nozzle and by the spread of light.
    arrays : str
        Digest of the study, to store with the arrays of each case; empty if no arrays are requested.
    """

    columns: tuple[str, ...]
    layers: int = 7
    ends: float = 1.0
    viewed: bool = False
    arrays: str = ""


@dataclass(frozen=True, slots=True)
class Case:
    """One panel of a study.

    Attributes
    ----------
    number : int
        From 1, in the order of the design.
    labels : tuple
        Level of each factor, as shown in the table.
    picture : str
        Name of the picture file in the study.
    job : dict
        Keys and plain values of the job; files have their names in the study.
    """

    number: int
    labels: tuple[object, ...]
    picture: str
    job: Values

    @property
    def files(self) -> list[str]:
        """Names of the input files for the case."""
        named = (str(value) for key, value in self.job.items() if is_file(key, value))
        return list(dict.fromkeys([self.picture, *named]))


@dataclass(frozen=True, slots=True)
class Study:
    """Study that is ready to run.

    Attributes
    ----------
    head : Head
        Head of the table: text, files and versions.
    title : str
    factors : tuple of str
        Names, in the order of the table.
    ranges : tuple of str
        Names of the factors with a continuous range.
    cases : tuple of Case
    request : Request
    files : dict of str to File
        All files that the cases name, by name.
    across, up : str
        Columns on the axes of the figure.
    notes : tuple of str
        Messages for the user.
    """

    head: Head
    title: str
    factors: tuple[str, ...]
    cases: tuple[Case, ...]
    request: Request
    files: dict[str, File]
    across: str
    up: str
    notes: tuple[str, ...] = ()
    ranges: tuple[str, ...] = ()


def load_study(path: str | Path, *, folder: str | Path | None = None, max_cases: int = MAX_CASES) -> Study:
    """Load a study.

    Parameters
    ----------
    path : path
        A study file (TOML), or the table (``.csv``) of a study, which is reproduced from the head.
    folder : path, optional
        Folder of the files that the study names. By default the folder of `path`.
    max_cases : int
        Maximum number of cases.

    Returns
    -------
    Study

    Raises
    ------
    PathgenError
        When a file cannot be read, a key or column is unknown, a value is invalid, the design is empty or too
        large, or a file differs from the one that a table was made from. A contradiction that only a certain
        combination of levels causes is reported in the row of that case.
    """
    path, where = Path(path), str(path)
    before = read_head(path) if path.suffix.lower() == ".csv" else None
    if before is None:
        text = read_input_text(path, "a study file (TOML)", LIMIT).replace("\r\n", "\n")
        table = parse_table(text, where)
    else:
        text, table = before.text, _parse_head_text(before.text, where)
    keys = typed(table, StudyKeys, where)
    _check_job(keys.job, where)
    factors, cases, ranges = _list_cases(keys, where, max_cases)
    request = Request(check_columns(keys.columns, f"{where}: columns"), keys.layers, keys.ends, keys.viewed)
    named = [(key, value) for case in cases for key, value in (*case.job.items(), (PICTURE, case.picture))]
    files = read_files(named, Path(folder) if folder is not None else path.parent)
    head = Head.of(text, files)
    notes: tuple[str, ...] = ()
    if before is not None:
        notes = head.compare_versions(before)
        replace(head, versions=before.versions).check_same(before, where)
    across, up = keys.figure.across, keys.figure.up
    return Study(head, keys.title, factors, cases, request, files, across, up, notes, ranges)


def _parse_head_text(text: str, where: str) -> dict[str, object]:
    try:
        return tomllib.loads(text)
    except ValueError as error:
        hint = "the lines that start with #| were edited; restore them"
        raise PathgenError(
            f"the header of the table contains no valid study: {error}", where=where, hint=hint
        ) from None


def _check_job(job: Mapping[str, object], where: str) -> None:
    if PICTURE in job:
        hint = "move picture above [job], or under [factors] for several pictures"
        raise PathgenError("`picture` is not a job key", where=f"{where}: job.picture", hint=hint)
    typed(dict(job), Job, f"{where}: job")


def _list_cases(keys: StudyKeys, where: str, max_cases: int) -> tuple[Names, tuple[Case, ...], Names]:
    """Return the factors and cases of a study, and the factors with a continuous range."""
    ranges: Names = ()
    if keys.design == "table":
        names, levels = _read_case_table(keys, where)
        _limit_cases(len(levels), max_cases, where)
    else:
        if keys.case:
            what, hint = f"a {keys.design} design cannot have [[case]] tables", 'use design = "table"'
            raise PathgenError(what, where=f"{where}: case", hint=hint)
        factors = [read_factor(name, value, where) for name, value in keys.factors.items()]
        _check_overlap(factors, where)
        number = count_cases(keys.design, factors, keys.samples, where)
        _limit_cases(number, max_cases, where)
        names = tuple(factor.name for factor in factors)
        ranges = tuple(factor.name for factor in factors if not factor.levels)
        levels = list(combinations(keys.design, factors, number, keys.seed))
    cases = []
    for number, chosen in enumerate(levels, start=1):
        job: Values = keys.shared | {key: value for level in chosen for key, value in level.sets.items()}
        picture = job.pop(PICTURE, None)
        if not isinstance(picture, str) or not picture:
            hint = 'add picture = "FILE" at the top, or a factor named picture'
            raise PathgenError(f"case {number} has no picture", where=f"{where}: picture", hint=hint)
        cases.append(Case(number, tuple(level.label for level in chosen), picture, job))
    for fill in dict.fromkeys(str(case.job["fill"]) for case in cases if "fill" in case.job):
        find_fill(fill)
    return names, tuple(cases), ranges


def _read_case_table(keys: StudyKeys, where: str) -> tuple[Names, list[tuple[Level, ...]]]:
    """Read explicit cases. Each key of any case is a factor; a case without the key has the label ""."""
    if keys.factors or keys.samples is not None:
        extra = "factors" if keys.factors else "samples"
        what = f"a table design cannot have {extra}"
        hint = "list the cases, each under a [[case]] header"
        raise PathgenError(what, where=f"{where}: {extra}", hint=hint)
    if not keys.case:
        what, hint = "the table design has no cases", "put a [[case]] header before each case"
        raise PathgenError(what, where=f"{where}: case", hint=hint)
    names = tuple(dict.fromkeys(key for case in keys.case for key in case))
    levels = []
    for number, case in enumerate(keys.case, start=1):
        place = f"{where}: case {number}"
        typed({key: value for key, value in case.items() if key != PICTURE}, Job, place)
        for key, value in case.items():
            check_value(key, value, f"{place}: {key}")
        labels = [case.get(name, keys.shared.get(name, "")) for name in names]
        sets = [{name: case[name]} if name in case else {} for name in names]
        levels.append(tuple(map(Level, labels, sets)))
    return names, levels


def _check_overlap(factors: list[Factor], where: str) -> None:
    """Reject factors that set the same key, because the result would be ambiguous."""
    owner: dict[str, str] = {}
    for factor in factors:
        for key in sorted(factor.keys):
            if key in owner:
                what = f"factors {owner[key]!r} and {factor.name!r} both set {key}"
                raise PathgenError(what, where=f"{where}: factors", allowed="one factor per key")
            owner[key] = factor.name


def _limit_cases(number: int, max_cases: int, where: str) -> None:
    if number > max_cases:
        what, allowed = f"the study has {number} cases", f"at most {max_cases}"
        hint = f"use fewer levels, or --max-cases {number}"
        raise PathgenError(what, where=where, allowed=allowed, hint=hint)


def check_figure(study: Study) -> None:
    """Check, before the first case runs, that the figure's columns are measured and numeric.

    Raises
    ------
    PathgenError
        When a column is not.
    """
    for key, name in (("across", study.across), ("up", study.up)):
        place = f"figure.{key}"
        measured = [n for n in study.request.columns if COLUMNS[n].unit not in ("text", "yes/no")]
        if name not in measured:
            other = f"add the column to `columns`, or set figure.{key} to another column"
            hint = nearest(name, measured) or other
            raise PathgenError(
                f"the study does not measure column {name!r}, or the column is not numeric",
                where=place,
                hint=hint,
            )
