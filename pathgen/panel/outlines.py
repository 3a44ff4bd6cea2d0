"""Outlines by name.

An outline is a module `outline_NAME` of this package with a function `NAME_outline`, which returns the
polygon for some `Sides`. Adding such a file adds the outline; names are found without importing the modules.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules

from shapely.geometry import Polygon

from pathgen.errors import PathgenError, nearest
from pathgen.panel.polygon_file import polygon_file

PREFIX = "outline_"


@dataclass(frozen=True, slots=True)
class Sides:
    """Size that an outline is made for, mm.

    Attributes
    ----------
    width, height : float
        Outer sides that suit the picture.
    asked_width, asked_height : float or None
        Sides that the job asks for.
    corner : float
        Radius of the corners.
    """

    width: float
    height: float
    asked_width: float | None = None
    asked_height: float | None = None
    corner: float = 0.0


def outline_names() -> list[str]:
    """List the names of all outlines, sorted.

    Examples
    --------
    >>> outline_names()
    ['arch', 'disc', 'rectangle']
    """
    modules = (module.name for module in iter_modules([str(Path(__file__).parent)]))
    return sorted(name.removeprefix(PREFIX) for name in modules if name.startswith(PREFIX))


def make_outline(name: str, sides: Sides) -> Polygon:
    """Make an outline, its lower left corner at the origin.

    Parameters
    ----------
    name : str
        One of `outline_names`, or the path of a polygon file: text with a point or a path separator. Such a
        polygon keeps its proportions, or its size if the job asks for no side.
    sides : Sides

    Raises
    ------
    PathgenError
        For an unknown name, a file without a polygon, and sides that the outline cannot have.

    Examples
    --------
    >>> make_outline("disc", Sides(60.0, 40.0)).bounds
    (0.0, 0.0, 60.0, 60.0)
    """
    if any(mark in name for mark in "./\\"):
        return polygon_file(name, sides.asked_width, sides.asked_height)
    known = outline_names()
    if name not in known:
        allowed = f"{', '.join(known)}, or a polygon file"
        raise PathgenError(
            f"unknown outline {name!r}", where="outline", allowed=allowed, hint=nearest(name, known)
        )
    outline: Polygon = getattr(import_module(f"pathgen.panel.{PREFIX}{name}"), f"{name}_outline")(sides)
    return outline
