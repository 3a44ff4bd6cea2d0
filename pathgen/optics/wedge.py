"""A measured step wedge: how much light each thickness let through, and which readings say so.

Glossary. *Step*: all readings of one thickness. *Reference*: a reading without the wedge. *Absolute*:
measured against a reference, so that transmittance is known and not only its fall. *Floor*: the least a meter
shows, met where the wall is too thick for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.optics.laws import Floats
from pathgen.optics.wedge_sheet import CODES, Sheet, read_sheet
from pathgen.settings.material import LEAST_STEPS, THINNEST

FLOOR_KEPT = 5.0  # readings under this many times the floor are dropped: a fifth of them or more is floor
FLAT = 0.3  # share of the growth of 1/T before it under which a wedge's dark end counts as flat
OWED = 0.5  # growth of 1/T, over itself, that the dark end must owe before it can be called flat
RISE = 0.2  # rise of ln T over two steps on end that no scatter of readings explains
OVER = 1.1  # transmittance over 1 that scatter does not explain


@dataclass(frozen=True, slots=True)
class Readings:
    """A wedge's readings, in the order of the file; those that say nothing are left out.

    Attributes
    ----------
    thickness : (N,) float64
        mm, above 0.
    light : (N,) float64
        Transmittance where `absolute`, else in proportion to it; above 0.
    shown : (N,) float64
        What the file says, in `unit`.
    line : (N,) int64
        Line of the file, from 1.
    unit : str
        "lux", "cd/m2", "linear" or "srgb".
    absolute : bool
        Whether there was a reference.
    references : int
        How many readings the one reference comes from; 0 where each has its own, or there is none.
    notes : tuple of str
        What was left out, and why.
    """

    thickness: Floats
    light: Floats
    shown: Floats
    line: NDArray[np.int64]
    unit: str = "linear"
    absolute: bool = True
    references: int = 0
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        """Count the readings."""
        return len(self.thickness)


def read_readings(path: str | Path, floor: float | None = None) -> Readings:
    r"""Read a wedge's CSV file, and leave out what says nothing of the plastic.

    Parameters
    ----------
    path : path-like
        `pathgen.optics.wedge_sheet` has its columns and units.
    floor : float, optional
        Least reading that tells light from darkness, in the file's unit: lower ones are dropped. By default
        `find_floor` looks for one, and what is under five times of it is dropped.

    Raises
    ------
    PathgenError
        When the file is no such table, a wall is thinner than 0.001 mm, light grows with thickness, or fewer
        than four thicknesses are left.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = Path(folder, "wedge.csv").write_text(
    ...         "thickness_mm,reading_lux\n0,800\n0.5,400\n1,240\n2,112\n3,56\n"
    ...     )
    ...     wedge = read_readings(f"{folder}/wedge.csv")
    >>> wedge.light.round(9).tolist(), wedge.absolute
    ([0.5, 0.3, 0.14, 0.07], True)
    """
    return readings_of(read_sheet(path), str(path), floor)


def readings_of(sheet: Sheet, where: str, floor: float | None = None) -> Readings:
    """Leave out of a wedge's figures what says nothing of the plastic; errors as with `read_readings`."""
    thin = (sheet.figures["thickness"] > 0) & (sheet.figures["thickness"] < THINNEST)
    if thin.any():
        what = f"thickness is {sheet.figures['thickness'][thin][0]:g} mm"
        place, allowed = f"{where}, line {sheet.line[thin][0]}", f"0, or {THINNEST:g} mm or more"
        raise PathgenError(what, where=place, allowed=allowed)
    dark = _filled(sheet.linear("dark"), 0.0)
    light = sheet.linear("reading") - dark
    reference, references = _reference(sheet, light, dark, where)
    kept, notes = _kept(sheet, light, floor)
    found = Readings(
        sheet.figures["thickness"][kept],
        (light if reference is None else light / reference)[kept],
        sheet.figures["reading"][kept],
        sheet.line[kept],
        sheet.unit,
        reference is not None,
        references,
        tuple(notes),
    )
    check_readings(found, where)
    return found


def check_readings(readings: Readings, where: str = "readings") -> None:
    """Refuse readings that no law can be fitted to.

    Raises
    ------
    PathgenError
        For fewer than four thicknesses, light that grows with thickness, or a transmittance well over 1.
    """
    each, middle, _ = step_middles(readings.thickness, readings.light)
    if len(each) < LEAST_STEPS:
        left = ", ".join(f"{t:g}" for t in each)
        what = f"{len(each)} thicknesses" + (f" ({left} mm)" if left else "")
        what += f" after {'; '.join(readings.notes)}" if readings.notes else ""
        hint = "a wedge of ten steps shows how the law bends"
        raise PathgenError(what, where=where, allowed=f"at least {LEAST_STEPS}", hint=hint)
    log = np.log(middle)
    up = np.diff(log) > 0
    rising = np.flatnonzero(up[1:] & up[:-1] & (log[2:] - log[:-2] > RISE))
    half = len(each) // 2
    whole = np.median(log[-half:]) >= np.median(log[:half])
    if whole or rising.size:
        first, last = (0, -1) if whole else (int(rising[0]), int(rising[0]) + 2)
        lines = [readings.line[readings.thickness == each[place]][0] for place in (first, last)]
        ratio = middle[last] / middle[first]
        what = f"{each[last]:g} mm lets {ratio:.2f} times the light of {each[first]:g} mm through"
        hint = "are columns mixed up, or does light pass beside the wedge?"
        place = f"{where}, lines {lines[0]} and {lines[1]}"
        raise PathgenError(what, where=place, allowed="readings that fall with thickness", hint=hint)
    over = readings.absolute & (readings.light > OVER)
    if np.any(over):
        first = int(np.argmax(over))
        what = (
            f"{readings.thickness[first]:g} mm lets {readings.light[first]:.2f} times the reference through"
        )
        hint = "read both with the same light, place and exposure"
        place = f"{where}, line {readings.line[first]}"
        raise PathgenError(what, where=place, allowed="at most 1", hint=hint)


def step_middles(thickness: Floats, values: Floats) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Bring the readings of each thickness to their middle.

    Parameters
    ----------
    thickness, values : (N,) float64

    Returns
    -------
    thickness : (M,) float64
        Each once, rising.
    middle : (M,) float64
        Median of the values there.
    count : (M,) int64
        How many there are. All are empty for empty input.

    Examples
    --------
    >>> [column.tolist() for column in step_middles(np.array([2.0, 1.0, 2.0]), np.array([3.0, 8.0, 5.0]))]
    [[1.0, 2.0], [8.0, 4.0], [1, 2]]
    """
    each, count = np.unique(thickness, return_counts=True)
    ranked = values[np.lexsort((values, thickness))]
    first = np.cumsum(count) - count
    return each, (ranked[first + (count - 1) // 2] + ranked[first + count // 2]) / 2, count


def find_floor(thickness: Floats, light: Floats) -> float:
    """Find the floor that a wedge's dark end rests on.

    Parameters
    ----------
    thickness : (N,) float64
        mm.
    light : (N,) float64
        Above 0, in proportion to light.

    Returns
    -------
    float
        In the unit of `light`; 0 where there is none, and for empty input. There is a floor where the two
        thickest steps or more show the least reading of all; and where 1/T grows across three or more by less
        than a third of what it grew by before them. No plastic does that: under either law 1/T grows ever
        faster with thickness, or at least steadily.

    Examples
    --------
    >>> t = np.arange(1.0, 9.0)
    >>> find_floor(t, np.exp(-t)), round(find_floor(t, np.maximum(np.exp(-t), 0.01)), 3)
    (0.0, 0.01)
    """
    each, middle, _ = step_middles(thickness, light)
    if len(each) < 2:
        return 0.0
    least = float(light.min())
    if (middle[-2:] <= least).all():
        return least
    grown = 1 / middle
    first = np.arange(3, len(each) - 2)  # of each dark end of three steps or more that has three before it
    before = (grown[first - 1] - grown[first - 3]) / (each[first - 1] - each[first - 3])
    owed = before * (each[-1] - each[first]) / grown[first]
    did = grown[-1] / grown[first] - 1
    flat = (owed > OWED) & (did < FLAT * owed) & (did > -RISE)
    return float(np.median(middle[-3:])) if flat.any() else 0.0


def _filled(values: Floats, otherwise: float) -> Floats:
    """Put the mean of what is given where a cell is blank."""
    given = np.isfinite(values)
    return np.where(given, values, values[given].mean() if given.any() else otherwise)


def _reference(sheet: Sheet, light: Floats, dark: Floats, where: str) -> tuple[Floats | None, int]:
    """Give every reading's reference, or None, and how many readings a common one comes from."""
    bare = sheet.figures["thickness"] == 0
    beside = sheet.linear("reference")
    given = np.isfinite(beside)
    if bare.any() and given.any():
        place = f"{where}, line {sheet.line[bare][0]}"
        raise PathgenError("thickness 0 beside a column of reference", where=place, allowed="one of the two")
    written = sheet.figures["reading" if bare.any() else "reference"] if bare.any() or given.any() else None
    if written is None:
        return None, 0
    use = bare if bare.any() else given
    value = light if bare.any() else beside - dark
    wrong = use & ((value <= 0) | ((sheet.unit == "srgb") & (written >= CODES)))
    if wrong.any():
        first = int(np.argmax(wrong))
        dim = value[first] <= 0
        what = f"a reference of {written[first]:g}" + ("" if dim else ", where a photograph is clipped")
        hint = "" if dim else "expose less, for wedge and reference alike"
        allowed = "more light than in the dark" if dim else f"less than {CODES:g}"
        raise PathgenError(what, where=f"{where}, line {sheet.line[first]}", allowed=allowed, hint=hint)
    if bare.any():
        # The middle of all pairs' means: nearly as exact as the mean, and one slip among them does not count
        # (J. L. Hodges, E. L. Lehmann, Ann. Math. Stat. 34, 598, 1963; from memory).
        logs = np.log(value[use][:500])
        centre = np.exp(np.median((logs[:, None] + logs) / 2))
        return np.full(len(light), centre), int(use.sum())
    return _filled(value, 1.0), 0 if given.all() else int(given.sum())


def _kept(sheet: Sheet, light: Floats, floor: float | None) -> tuple[NDArray[np.bool_], list[str]]:
    """Say which rows are readings of the wedge, and in words which are none."""
    t, written = sheet.figures["thickness"], sheet.figures["reading"]
    kept, notes = t > 0, []

    def drop(which: NDArray[np.bool_], why: str) -> None:
        gone = kept & which
        if gone.any():
            low, high = t[gone].min(), t[gone].max()
            span = f"{low:g} mm" if low == high else f"{low:g} to {high:g} mm"
            count = f"{gone.sum()} reading" + ("s" if gone.sum() > 1 else "")
            notes.append(f"{count} at {span} dropped: {why}")
            kept[gone] = False

    if sheet.unit == "srgb":
        drop(written >= CODES, f"code {CODES:g}, where a photograph is clipped")
    drop(light <= 0, "no more light than in the dark")
    if floor is not None:
        drop(written < floor, f"under the floor given, {floor:g}")
    elif found := find_floor(t[kept], light[kept]):
        least = written[kept][np.argmin(np.abs(light[kept] - found))]
        drop(
            light < FLOOR_KEPT * found,
            f"under {FLOOR_KEPT:g} times the meter's floor, {least:g} {sheet.unit}",
        )
    return kept, notes
