"""Fills: functions from wall profiles to strokes, by name.

A fill takes `Profiles` and a `BeadPlan` and returns `Strokes`. Other packages add theirs under the entry
point group ``pathgen.fills``. That is the only way in for code that is not pathgen's own, and it leads
through what somebody installed: a job can name an installed fill, and nothing that stands in a job, a
profile, a picture or a program is ever run.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import entry_points

from pathgen.errors import PathgenError, nearest
from pathgen.layers.fills.contour import contour
from pathgen.layers.fills.raster_lines import DIRECTIONS, raster
from pathgen.layers.fills.tailored import tailored
from pathgen.layers.fills.terraced import terraced
from pathgen.layers.strokes import BeadPlan, Profiles, Strokes

Fill = Callable[[Profiles, BeadPlan], Strokes]
OWN: dict[str, Fill] = {
    "tailored": tailored,
    "terraced": terraced,
    "contour": contour,
    "raster": raster,
}

__all__ = [
    "DIRECTIONS",
    "Fill",
    "contour",
    "fill_names",
    "find_fill",
    "raster",
    "tailored",
    "terraced",
]


def fill_names() -> list[str]:
    """Names of all fills, our own and those that other packages add, sorted."""
    return sorted({*OWN, *(entry.name for entry in entry_points(group="pathgen.fills"))})


def find_fill(name: str) -> Fill:
    """Find a fill by name.

    Raises
    ------
    PathgenError
        When there is none of that name.
    """
    if name in OWN:
        return OWN[name]
    for entry in entry_points(group="pathgen.fills", name=name):
        try:
            fill: Fill = entry.load()
        except Exception as error:  # importing runs the other package's code, which may stumble over anything
            what = f"fill {name!r} cannot be loaded: {type(error).__name__}: {error}"
            hint = f"it comes from {entry.value}: install that package again, or choose another fill"
            raise PathgenError(what, where="fill", hint=hint) from error
        return fill
    known = fill_names()
    raise PathgenError(
        f"unknown fill {name!r}", where="fill", allowed=", ".join(known), hint=nearest(name, known)
    )
