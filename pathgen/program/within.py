"""Choice of layer heights, bead spacing and feed for the best picture within a time limit.

All pairs of layer heights and bead spacing are tried. For each pair the feed is lowered as far as the time
allows, as the error from pressure lag falls with the feed. The error of a pair has two parts, both in
L* RMS, which add in squares: that of a few layers, planned, timed and deposited with the lag of the hot end,
and that of the layer heights. The best pair is then planned in full, without a file, and its feed raised if
its exact time is above the limit.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from io import BytesIO

import msgspec
import numpy as np

from pathgen.errors import PathgenError
from pathgen.plan.model import Planned
from pathgen.plan.settle import heights_of, plan_several
from pathgen.plan.source import Source
from pathgen.plan.trial import FeedTrial
from pathgen.program.summary import format_duration
from pathgen.program.writing import Progress, write
from pathgen.settings import Job, Machine, Material, Setup

LIKE = (0.08, 0.1, 0.12, 0.15, 0.2, 0.25, 0.3)  # mm, uniform layers with the error allowed to a candidate
SPACINGS = (1.05, 1.25, 1.45)  # nozzle diameters, as far as the widest bead allows
SLOWEST = 8.0  # mm/s; the heat of a slower nozzle softens the wall (common practice)
SPARE = 0.98  # share of the time limit used by the estimates, which sampling makes inexact
CLOSE = 0.02  # relative tolerance of the bisection for the feed
TURNS = 4  # maximum number of times that a candidate is planned in full
_TIME = re.compile(r"\s*(?:(\d+(?:\.\d+)?)\s*h)?\s*(?:(\d+(?:\.\d+)?)\s*(?:min|m)?)?\s*\Z")


@dataclass(frozen=True, slots=True)
class Candidate:
    """Job with its estimated printing time and picture error.

    Attributes
    ----------
    job : Job
    seconds : float
        Time of the whole print.
    error : float
        Error of its picture, L* RMS.
    """

    job: Job
    seconds: float
    error: float


def seconds_from(text: str) -> float:
    """Parse a duration and return seconds.

    Raises
    ------
    PathgenError
        For text that is not a duration.

    Examples
    --------
    >>> seconds_from("6h"), seconds_from("6 h 30 min"), seconds_from("90min")
    (21600.0, 23400.0, 5400.0)
    """
    match = _TIME.match(text)
    if match is None or not any(match.groups()) or (match[1] is None and not re.search(r"m", text)):
        allowed = "a duration such as 6h, 6h30min or 90min"
        raise PathgenError(f"`within` is {text!r}, which is not a duration", where="within", allowed=allowed)
    return 3600 * float(match[1] or 0) + 60 * float(match[2] or 0)


def settled(
    panels: Sequence[tuple[Source, Job]],
    machine: Machine | None = None,
    material: Material | None = None,
    progress: Progress | None = None,
) -> tuple[list[tuple[Source, Job]], list[str]]:
    """Adjust a job to the time limit; jobs without a limit are returned unchanged.

    Parameters
    ----------
    panels : sequence of (source, job)
    machine, material : optional
        As in `pathgen.make`.
    progress : callable, optional
        Called with (candidates tried, candidates in all).

    Returns
    -------
    panels : list of (source, job)
    notes : list of str
        The settings chosen, and the error and time without the limit.

    Raises
    ------
    PathgenError
        For several panels with a time limit, and for a limit that no settings can meet.
    """
    if not any(job.within for _, job in panels):
        return list(panels), []
    if len(panels) > 1:
        hint = "make a separate program for each panel"
        what = "within is set, but the job has several panels"
        raise PathgenError(what, where="within", allowed="a job with one panel", hint=hint)
    source, job = panels[0]
    assert job.within is not None
    found, note = choose(source, job, seconds_from(job.within), machine, material, progress)
    return [(source, found)], [note]


def choose(
    source: Source,
    job: Job,
    seconds: float,
    machine: Machine | None = None,
    material: Material | None = None,
    progress: Progress | None = None,
) -> tuple[Job, str]:
    """Choose layer heights, bead spacing and feed for a time limit.

    Parameters
    ----------
    source, job, machine, material
        As in `pathgen.make`. The note compares the choice with the layers, feed and spacing of the job.
    seconds : float
        Maximum time of the whole print, heating and homing included, s.
    progress : callable, optional

    Returns
    -------
    job : Job
        With the chosen settings and without `within`.
    note : str
        The settings chosen, and the error and time without the limit.

    Raises
    ------
    PathgenError
        When no settings meet the limit, with the shortest possible time.
    """
    asked = msgspec.structs.replace(job, within=None)
    planned = plan_several([(source, asked)], machine, material).panels[0]
    levers, heights = _levers(planned.setup), heights_of(planned, LIKE)
    error = heights.rms(planned.layers)
    plain = _estimate(FeedTrial(planned), asked, planned.setup.feeds.feed, error)
    tried: list[Candidate] = []
    shortest = np.inf
    stacks = {like: heights.like(like) for like in {like for like, _ in levers}}
    for number, (like, spacing) in enumerate(levers):
        if progress:
            progress(number, len(levers))
        changes = {"layer": "auto", "layer_like": like, "spacing": spacing}
        variant = replace(planned, setup=planned.setup.changed(**changes), layers=stacks[like].layers)
        own = msgspec.structs.replace(asked, **changes)
        shortest_here, found = _slowest_that_fits(variant, own, seconds, stacks[like].error)
        shortest = min(shortest, shortest_here)
        if found is not None:
            tried.append(found)
    best = _written(source, sorted(tried, key=lambda each: each.error), seconds, machine, material)
    if best is None:
        raise PathgenError(
            f"the panel cannot be printed in {format_duration(seconds)}; "
            f"the shortest time is {format_duration(1.02 * shortest)}",
            where="within",
            hint=f"use a smaller or thinner panel, or a machine faster than {planned.setup.machine.name}",
        )
    return best.job, _note(best, plain, planned.setup)


def _levers(setup: Setup) -> list[tuple[float, float]]:
    """List the combinations of layer height and bead spacing to try."""
    widest = 0.95 * setup.beads.spacing_max
    nozzle = setup.machine.hot_end.nozzle_diameter
    spacings = [round(share * nozzle, 4) for share in SPACINGS if share * nozzle <= widest]
    layers = [like for like in LIKE if like <= 0.75 * nozzle + 1e-9]
    return [(like, spacing) for like in layers for spacing in spacings or [setup.beads.spacing]]


def _estimate(walls: FeedTrial, job: Job, feed: float, layers_error: float) -> Candidate:
    """Estimate time and error of a job at a feed."""
    return Candidate(job, walls.seconds(feed), float(np.hypot(walls.error(feed), layers_error)))


def _fastest(planned: Planned) -> float:
    """Return the highest feed that axes and hot end allow for these beads, mm/s."""
    setup, machine = planned.setup, planned.setup.machine
    widest = min(setup.beads.spacing_max, 1.25 * setup.beads.spacing)
    melts = machine.hot_end.melt_rate / (setup.beads.packing * widest * float(planned.layers.height.max()))
    return min(machine.axes.x.feed, machine.axes.y.feed, melts)


def _slowest_that_fits(
    planned: Planned, job: Job, seconds: float, layers_error: float
) -> tuple[float, Candidate | None]:
    """Bisect for the lowest feed that meets the time limit; also return the shortest possible time."""
    walls, fastest = FeedTrial(planned), _fastest(planned)
    shortest = walls.seconds(fastest)
    if shortest > SPARE * seconds:
        return shortest, None
    low, high = min(SLOWEST, fastest), fastest
    if walls.seconds(low) <= SPARE * seconds:
        high = low
    while high / low > 1 + CLOSE:
        middle = (low * high) ** 0.5
        if walls.seconds(middle) <= SPARE * seconds:
            high = middle
        else:
            low = middle
    job = msgspec.structs.replace(job, feed=float(f"{high:.4g}"))
    return shortest, _estimate(walls, job, high, layers_error)


def _written(
    source: Source,
    tried: Sequence[Candidate],
    seconds: float,
    machine: Machine | None,
    material: Material | None,
) -> Candidate | None:
    """Plan the best candidates in full, raising the feed if necessary, until one meets the limit."""
    for each in tried[:3]:
        job = each.job
        for _ in range(TURNS):
            platform = plan_several([(source, job)], machine, material)
            needed = write(platform, BytesIO()).summary.times.time_s
            if needed <= seconds:
                return Candidate(job, needed, each.error)
            faster = platform.setup.feeds.feed * needed / seconds * 1.01
            if faster > 1.001 * _fastest(platform.panels[0]):
                break
            job = msgspec.structs.replace(job, feed=float(f"{faster:.4g}"))
    return None


def _note(best: Candidate, plain: Candidate, base: Setup) -> str:
    """Describe the chosen settings and the result without a time limit."""
    job = best.job
    return (
        f"the print takes {format_duration(best.seconds)} with "
        f"layers as accurate as uniform layers of {job.layer_like:g} mm, "
        f"feed {job.feed:.3g} mm/s, spacing {job.spacing:.3g} mm, expected error {best.error:.2f} L* RMS; "
        f"without the limit "
        f"({base.layers.nominal:g} mm, {base.feeds.feed:g} mm/s, {base.beads.spacing:g} mm) "
        f"it would take {format_duration(plain.seconds)}, with an error of {plain.error:.2f} L*"
    )
