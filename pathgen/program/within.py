"""Time against quality: the job that shows a picture best in a time that is given.

What can be traded is the height of layers, the feed, and the spacing of beads. Layers and spacing are tried
out
in turn; for each pair the feed is brought down as far as the time allows, as the pressure behind the nozzle
lags the less the slower the head goes. What a pair shows is judged on a few layers, planned, timed and laid
down as the hot end's lag would lay them, and by what the layers' height costs; both are lightness RMS, and
add up in squares. The best pair is then written in full, without a file, its feed raised if need be.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from io import BytesIO

import msgspec
import numpy as np

from pathgen.errors import PathgenError
from pathgen.layers.adaptive import AdaptiveHeights
from pathgen.plan.model import Planned
from pathgen.plan.settle import heights_of, plan_several
from pathgen.plan.source import Source
from pathgen.plan.trial import PacedWalls
from pathgen.program.summary import format_duration
from pathgen.program.writing import Progress, write
from pathgen.settings import Job, Machine, Material, Setup

LIKE = (0.08, 0.1, 0.12, 0.15, 0.2, 0.25, 0.3)  # mm, even layers that those of a candidate are as true as
SPACINGS = (1.05, 1.25, 1.45)  # in nozzles, where the widest bead allows
SLOWEST = 8.0  # mm/s; a slower head's heat softens what is laid (common practice)
SPARE = 0.98  # of the time, aimed at; the rest is for what samples miss
CLOSE = 0.02  # share to which the feed is found
TURNS = 4  # of writing in full and raising the feed
_TIME = re.compile(r"\s*(?:(\d+(?:\.\d+)?)\s*h)?\s*(?:(\d+(?:\.\d+)?)\s*(?:min|m)?)?\s*\Z")


@dataclass(frozen=True, slots=True)
class Candidate:
    """A job, and what samples say of it.

    Attributes
    ----------
    job : Job
    seconds : float
        Of the whole print.
    error : float
        Lightness RMS between what it shows and what it is to show.
    """

    job: Job
    seconds: float
    error: float


def seconds_from(text: str) -> float:
    """Read a time as people write it, s.

    Raises
    ------
    PathgenError
        For what is no time.

    Examples
    --------
    >>> seconds_from("6h"), seconds_from("6 h 30 min"), seconds_from("90min")
    (21600.0, 23400.0, 5400.0)
    """
    match = _TIME.match(text)
    if match is None or not any(match.groups()) or (match[1] is None and not re.search(r"m", text)):
        raise PathgenError(
            f"within is {text!r}", where="within", allowed="a time such as 6h, 6h30min or 90min"
        )
    return 3600 * float(match[1] or 0) + 60 * float(match[2] or 0)


def settled(
    panels: Sequence[tuple[Source, Job]],
    machine: Machine | None = None,
    material: Material | None = None,
    progress: Progress | None = None,
) -> tuple[list[tuple[Source, Job]], list[str]]:
    """Give panels the jobs that their time allows; those that name no time stay as they are.

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
        What was traded for what.

    Raises
    ------
    PathgenError
        For several panels under one time, and a time that no job keeps.
    """
    limits = [job.within for _, job in panels]
    if not any(limits):
        return list(panels), []
    if len(panels) > 1:
        hint = "make each picture a program"
        raise PathgenError("within is asked of several panels", where="within", allowed="one", hint=hint)
    (source, job), limit = panels[0], limits[0]
    assert limit is not None
    found, note = choose(source, job, seconds_from(limit), machine, material, progress)
    return [(source, found)], [note]


def choose(
    source: Source,
    job: Job,
    seconds: float,
    machine: Machine | None = None,
    material: Material | None = None,
    progress: Progress | None = None,
) -> tuple[Job, str]:
    """Choose layers, feed and spacing for a time.

    Parameters
    ----------
    source, job, machine, material
        As `pathgen.make` takes them; what the job itself says of layer, feed and spacing is compared with.
    seconds : float
        The whole print may take, heating and homing included, s.
    progress : callable, optional

    Returns
    -------
    job : Job
        Its `within` is empty.
    note : str
        What was traded for what.

    Raises
    ------
    PathgenError
        When nothing is as quick: with the shortest time there is.
    """
    asked = msgspec.structs.replace(job, within=None)
    planned = plan_several([(source, asked)], machine, material).panels[0]
    levers, heights = _levers(planned.setup), heights_of(planned, LIKE)
    plain = _as_asked(planned, heights)
    tried: list[Candidate] = []
    quickest = np.inf
    stacks = {like: heights.like(like) for like in {like for like, _ in levers}}
    for number, (like, spacing) in enumerate(levers):
        if progress:
            progress(number, len(levers))
        changes = {"layer": "auto", "layer_like": like, "spacing": spacing}
        settled_job = msgspec.structs.replace(planned.setup.job, **changes)
        variant = replace(
            planned,
            setup=Setup(settled_job, planned.setup.machine, planned.setup.material),
            layers=stacks[like].layers,
        )
        least, found = _slowest_that_fits(variant, seconds, stacks[like].error)
        quickest = min(quickest, least)
        if found is not None:
            own = msgspec.structs.replace(asked, feed=found.job.feed, **changes)
            tried.append(Candidate(own, found.seconds, found.error))
    best = _written(source, sorted(tried, key=lambda each: each.error), seconds, machine, material)
    if best is None:
        raise PathgenError(
            f"this panel cannot be printed in {format_duration(seconds)} on {planned.setup.machine.name}",
            where="within",
            allowed=f"{format_duration(1.02 * quickest)} or more",
            hint="make the panel smaller or thinner",
        )
    return best.job, _said(best, plain, planned.setup)


def _levers(setup: Setup) -> list[tuple[float, float]]:
    """List the layers and spacings to try."""
    hot_end = setup.machine.hot_end
    assert setup.job.spacing_max is not None, "settle fills it in"
    most = 0.95 * setup.job.spacing_max
    spacings = [
        round(share * hot_end.nozzle_diameter, 4)
        for share in SPACINGS
        if share * hot_end.nozzle_diameter <= most
    ]
    layers = [like for like in LIKE if like <= 0.75 * hot_end.nozzle_diameter + 1e-9]
    return [(like, spacing) for like in layers for spacing in spacings or [setup.spacing]]


def _as_asked(planned: Planned, heights: AdaptiveHeights) -> Candidate:
    """Judge the job as it was asked for."""
    walls, setup = PacedWalls(planned), planned.setup
    error = float(np.hypot(walls.error(setup.feed), heights.rms(planned.layers)))
    return Candidate(setup.job, _whole(walls.seconds(setup.feed), setup), error)


def _fastest(planned: Planned) -> float:
    """Give the highest feed that axes and hot end take with these beads, mm/s."""
    setup, machine = planned.setup, planned.setup.machine
    assert setup.job.spacing_max is not None, "settle fills it in"
    widest = min(setup.job.spacing_max, 1.25 * setup.spacing)
    melts = machine.hot_end.melt_rate / (setup.packing * widest * float(planned.layers.height.max()))
    return min(machine.axes.x.feed, machine.axes.y.feed, melts)


def _whole(walls: float, setup: Setup) -> float:
    """Time of a whole print whose walls take so long, s."""
    return walls + setup.machine.heaters.warm_up + setup.machine.heaters.homing


def _slowest_that_fits(
    planned: Planned, seconds: float, layers_error: float
) -> tuple[float, Candidate | None]:
    """Bring the feed down as far as the time allows; also give the time at the highest feed."""
    setup, walls, most = planned.setup, PacedWalls(planned), _fastest(planned)
    least = _whole(walls.seconds(most), setup)
    if least > SPARE * seconds:
        return least, None
    low, high = min(SLOWEST, most), most
    if _whole(walls.seconds(low), setup) <= SPARE * seconds:
        high = low
    while high / low > 1 + CLOSE:
        middle = (low * high) ** 0.5
        if _whole(walls.seconds(middle), setup) <= SPARE * seconds:
            high = middle
        else:
            low = middle
    chosen = msgspec.structs.replace(setup.job, feed=float(f"{high:.4g}"))
    error = float(np.hypot(walls.error(high), layers_error))
    return least, Candidate(chosen, _whole(walls.seconds(high), setup), error)


def _written(
    source: Source,
    tried: Sequence[Candidate],
    seconds: float,
    machine: Machine | None,
    material: Material | None,
) -> Candidate | None:
    """Write the best in full and raise its feed until its time is kept; the next best where none does."""
    for each in tried[:3]:
        job = each.job
        for _ in range(TURNS):
            platform = plan_several([(source, job)], machine, material)
            needed = float(str(write(platform, BytesIO()).summary["time_s"]))
            if needed <= seconds:
                return Candidate(job, needed, each.error)
            assert job.feed is not None
            faster = job.feed * needed / seconds * 1.01
            if faster > 1.001 * _fastest(platform.panels[0]):
                break
            job = msgspec.structs.replace(job, feed=float(f"{faster:.4g}"))
    return None


def _said(best: Candidate, plain: Candidate, base: Setup) -> str:
    """Say what was traded for what."""
    job = best.job
    return (
        f"within {format_duration(best.seconds)}: layers as true as even ones of {job.layer_like:g} mm, "
        f"feed {job.feed:.3g} mm/s, spacing {job.spacing:.3g} mm, expected error {best.error:.2f} L* RMS; "
        f"as asked ({base.layer:g} mm, {base.feed:g} mm/s, {base.spacing:g} mm) it would be "
        f"{format_duration(plain.seconds)} and {plain.error:.2f}"
    )
