"""Select and check the measurements of a step wedge.

Glossary. *Step*: all measurements of one thickness. *Reference*: a measurement without the wedge. *Absolute*:
measured against a reference, so that the transmittance itself is known, and not only its decrease. *Floor*:
the smallest value that a meter shows, reached where the wall is too thick for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.optics.laws import Floats
from pathgen.optics.wedge_sheet import CODES, WedgeSheet
from pathgen.settings.material import LEAST_STEPS

FLOOR_KEPT = 5.0  # multiple of the floor below which measurements are dropped: the floor distorts them
FLAT = 0.3  # growth of 1/T, over the growth expected, below which the dark end of a wedge counts as flat
EXPECTED = 0.5  # minimum growth of 1/T, over itself, expected in the dark end before it can count as flat
RISE = 0.2  # rise of ln T over two consecutive steps that scatter does not explain
OVER = 1.1  # transmittance above 1 that scatter does not explain


@dataclass(frozen=True, slots=True)
class WedgeMeasurements:
    """Usable measurements of a step wedge, in file order.

    Attributes
    ----------
    thickness : (N,) float64
        mm, above 0.
    light : (N,) float64
        Transmittance if `absolute`, otherwise proportional to it; above 0.
    shown : (N,) float64
        Value in the file, in `unit`.
    line : (N,) int64
        Line of the file, from 1.
    unit : str
        "lux", "cd/m2", "linear" or "srgb".
    absolute : bool
        True if there was a reference.
    references : int
        Number of measurements behind a common reference; 0 if each has its own, or there is none.
    notes : tuple of str
        Measurements dropped, with the reason.
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
        """Return the number of measurements."""
        return len(self.thickness)


def select_measurements(sheet: WedgeSheet, where: str, floor: float | None = None) -> WedgeMeasurements:
    """Select the usable measurements of a wedge sheet.

    Parameters
    ----------
    sheet : WedgeSheet
    where : str
        Name of the file, for messages.
    floor : float, optional
        Smallest value that the meter can tell from darkness, in the unit of the file; smaller values are
        dropped. By default `find_floor` estimates the floor, and values below five times the floor are
        dropped.

    Raises
    ------
    PathgenError
        If a wall is thinner than 0.001 mm, light increases with thickness, or fewer than four thicknesses are
        left.

    Examples
    --------
    >>> columns = {"thickness": np.array([0, 0.5, 1, 2, 3]), "reading": np.array([800.0, 400, 240, 112, 56])}
    >>> wedge = select_measurements(WedgeSheet(columns, np.arange(2, 7), "lux"), "wedge.csv")
    >>> wedge.light.round(9).tolist(), wedge.absolute
    ([0.5, 0.3, 0.14, 0.07], True)
    """
    dark = _fill_blanks(sheet.linear("dark"), 0.0)
    light = sheet.linear("reading") - dark
    reference, references = _reference(sheet, light, dark, where)
    usable, notes = _usable(sheet, light, floor)
    thickness, shown = (sheet.columns[name][usable] for name in ("thickness", "reading"))
    light = (light if reference is None else light / reference)[usable]
    facts = (sheet.unit, reference is not None, references, tuple(notes))
    wedge = WedgeMeasurements(thickness, light, shown, sheet.line[usable], *facts)
    check_wedge(wedge, where)
    return wedge


def check_wedge(wedge: WedgeMeasurements, where: str = "measurements") -> None:
    """Reject measurements that no law can be fitted to.

    Raises
    ------
    PathgenError
        For fewer than four thicknesses, light that increases with thickness, or a transmittance well above 1.
    """
    steps, medians, _ = step_medians(wedge.thickness, wedge.light)
    if len(steps) < LEAST_STEPS:
        left = ", ".join(f"{t:g}" for t in steps)
        what = f"the wedge has {len(steps)} usable thicknesses" + (f" ({left} mm)" if left else "")
        what += f" after {'; '.join(wedge.notes)}" if wedge.notes else ""
        hint = "measure a wedge of about ten steps"
        raise PathgenError(what, where=where, allowed=f"at least {LEAST_STEPS} thicknesses", hint=hint)
    log = np.log(medians)
    up = np.diff(log) > 0
    rising = np.flatnonzero(up[1:] & up[:-1] & (log[2:] - log[:-2] > RISE))
    half = len(steps) // 2
    reversed_ = np.median(log[-half:]) >= np.median(log[:half])
    if reversed_ or rising.size:
        first, last = (0, -1) if reversed_ else (int(rising[0]), int(rising[0]) + 2)
        lines = [wedge.line[wedge.thickness == steps[place]][0] for place in (first, last)]
        ratio = medians[last] / medians[first]
        what = f"{steps[last]:g} mm transmits {ratio:.2f} times the light of {steps[first]:g} mm"
        hint = "check the order of the columns, and that no light passes beside the wedge"
        place = f"{where}, lines {lines[0]} and {lines[1]}"
        raise PathgenError(what, where=place, allowed="less light through a thicker step", hint=hint)
    over = wedge.absolute & (wedge.light > OVER)
    if np.any(over):
        first = int(np.argmax(over))
        what = f"{wedge.thickness[first]:g} mm transmits {wedge.light[first]:.2f} times the reference"
        hint = "measure both with the same light, position and exposure"
        place = f"{where}, line {wedge.line[first]}"
        raise PathgenError(what, where=place, allowed="at most the reference", hint=hint)


def step_medians(thickness: Floats, values: Floats) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Return the median of the measurements at each thickness.

    Parameters
    ----------
    thickness, values : (N,) float64

    Returns
    -------
    steps : (M,) float64
        The different thicknesses, ascending.
    medians : (M,) float64
        Median of the values at each.
    count : (M,) int64
        Number of values at each. All three are empty for empty input.

    Examples
    --------
    >>> [column.tolist() for column in step_medians(np.array([2.0, 1.0, 2.0]), np.array([3.0, 8.0, 5.0]))]
    [[1.0, 2.0], [8.0, 4.0], [1, 2]]
    """
    steps, count = np.unique(thickness, return_counts=True)
    ranked = values[np.lexsort((values, thickness))]
    first = np.cumsum(count) - count
    return steps, (ranked[first + (count - 1) // 2] + ranked[first + count // 2]) / 2, count


def find_floor(thickness: Floats, light: Floats) -> float:
    """Estimate the smallest reading of the light meter from the dark end of a wedge.

    Parameters
    ----------
    thickness : (N,) float64
        mm.
    light : (N,) float64
        Above 0, proportional to light.

    Returns
    -------
    float
        In the unit of `light`; 0 if no floor was found, and for empty input. A floor is found if at least the
        two thickest steps show the minimum of all values, or if 1/T grows across at least three steps by less
        than a third of the growth expected from the steps before them. No plastic behaves like this: in every
        law 1/T grows at a constant or increasing rate.

    Examples
    --------
    >>> t = np.arange(1.0, 9.0)
    >>> find_floor(t, np.exp(-t)), round(find_floor(t, np.maximum(np.exp(-t), 0.01)), 3)
    (0.0, 0.01)
    """
    steps, medians, _ = step_medians(thickness, light)
    if len(steps) < 2:
        return 0.0
    lowest = float(light.min())
    if (medians[-2:] <= lowest).all():
        return lowest
    grown = 1 / medians
    first = np.arange(3, len(steps) - 2)  # of each dark end of three or more steps with three steps before it
    before = (grown[first - 1] - grown[first - 3]) / (steps[first - 1] - steps[first - 3])
    expected = before * (steps[-1] - steps[first]) / grown[first]
    growth = grown[-1] / grown[first] - 1
    flat = (expected > EXPECTED) & (growth < FLAT * expected) & (growth > -RISE)
    return float(np.median(medians[-3:])) if flat.any() else 0.0


def _fill_blanks(values: Floats, default: float) -> Floats:
    """Replace NaN by the mean of all other values, or by `default` if there are none."""
    known = np.isfinite(values)
    return np.where(known, values, values[known].mean() if known.any() else default)


def _reference(sheet: WedgeSheet, light: Floats, dark: Floats, where: str) -> tuple[Floats | None, int]:
    """Return the bare-light reference of each measurement, and the number of values averaged for it."""
    bare = sheet.columns["thickness"] == 0
    beside = sheet.linear("reference")
    known = np.isfinite(beside)
    if bare.any() and known.any():
        what = "the file has both a row of thickness 0 and a reference column"
        place = f"{where}, line {sheet.line[bare][0]}"
        raise PathgenError(what, where=place, allowed="either that row or that column, not both")
    if not bare.any() and not known.any():
        return None, 0
    use, value, name = (bare, light, "reading") if bare.any() else (known, beside - dark, "reference")
    shown = sheet.columns[name]
    wrong = use & ((value <= 0) | ((sheet.unit == "srgb") & (shown >= CODES)))
    if wrong.any():
        first = int(np.argmax(wrong))
        dim = value[first] <= 0
        what = f"the reference is {shown[first]:g}" + ("" if dim else ", which is overexposed")
        hint = "" if dim else "reduce the exposure of both wedge and reference"
        allowed = "a reference above the dark measurement" if dim else f"less than {CODES:g}"
        raise PathgenError(what, where=f"{where}, line {sheet.line[first]}", allowed=allowed, hint=hint)
    if bare.any():
        # The Hodges–Lehmann estimate, the median of the means of all pairs, is nearly as precise as the mean
        # and robust against an outlier (J. L. Hodges, E. L. Lehmann, Ann. Math. Stat. 34, 598, 1963; from
        # memory).
        logs = np.log(value[use][:500])
        centre = np.exp(np.median((logs[:, None] + logs) / 2))
        return np.full(len(light), centre), int(use.sum())
    return _fill_blanks(value, 1.0), 0 if known.all() else int(known.sum())


def _usable(sheet: WedgeSheet, light: Floats, floor: float | None) -> tuple[NDArray[np.bool_], list[str]]:
    """Return a mask of the usable measurements, and a note for each reason to reject others."""
    t, shown = sheet.columns["thickness"], sheet.columns["reading"]
    usable, notes = t > 0, []

    def drop(which: NDArray[np.bool_], why: str) -> None:
        gone = usable & which
        if gone.any():
            low, high = t[gone].min(), t[gone].max()
            span = f"{low:g} mm" if low == high else f"{low:g} to {high:g} mm"
            count = f"{gone.sum()} measurement" + ("s" if gone.sum() > 1 else "")
            notes.append(f"{count} at {span} dropped: {why}")
            usable[gone] = False

    if sheet.unit == "srgb":
        drop(shown >= CODES, f"code {CODES:g}, clipped in the photograph")
    drop(light <= 0, "not brighter than the dark measurement")
    if floor is not None:
        drop(shown < floor, f"below the floor of {floor:g}")
    elif found := find_floor(t[usable], light[usable]):
        lowest = f"{shown[usable][np.argmin(np.abs(light[usable] - found))]:g} {sheet.unit}"
        drop(light < FLOOR_KEPT * found, f"below {FLOOR_KEPT:g} times the floor of the meter, {lowest}")
    return usable, notes
