"""Fills: functions from wall profiles to strokes, registered by name.

A fill takes `Profiles` and a `BeadPlan` and returns `Strokes`. Other packages can add fills under the entry
point group ``pathgen.fills``. Foreign code runs only this way, that is, only if somebody has installed its
package: a job can name an installed fill, but no content of a job, a profile, a picture or a program is ever
executed.
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
BUILT_IN: dict[str, Fill] = {"tailored": tailored, "terraced": terraced, "contour": contour, "raster": raster}

__all__ = ["DIRECTIONS", "Fill", "contour", "fill_names", "find_fill", "raster", "tailored", "terraced"]


def fill_names() -> list[str]:
    """Return the names of all fills, built in or provided by other packages, sorted."""
    return sorted({*BUILT_IN, *(entry.name for entry in entry_points(group="pathgen.fills"))})


def find_fill(name: str) -> Fill:
    """Return the fill with a given name.

    Raises
    ------
    PathgenError
        If the name is unknown, or the fill of another package cannot be loaded.
    """
    if name in BUILT_IN:
        return BUILT_IN[name]
    for entry in entry_points(group="pathgen.fills", name=name):
        try:
            fill: Fill = entry.load()
        except Exception as error:  # importing runs the code of another package, which may raise anything
            what = f"fill {name!r} cannot be loaded: {type(error).__name__}: {error}"
            hint = f"reinstall the package that provides {entry.value}, or use another fill"
            raise PathgenError(what, where="fill", hint=hint) from error
        return fill
    known = fill_names()
    raise PathgenError(
        f"unknown fill {name!r}", where="fill", allowed=", ".join(known), hint=nearest(name, known)
    )
