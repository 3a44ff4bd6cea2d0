"""Registry of the outlines that a panel can have.

An outline is a module ``outline_NAME`` beside this one with a function ``NAME_outline``: it takes `Sides` and
returns a polygon. Adding such a module adds the outline: names are discovered from the file names.
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
    """Size of an outline, in mm.

    Attributes
    ----------
    width, height : float
        Sides that fit the picture.
    asked_width, asked_height : float or None
        Sides that the job requests.
    corner : float
        Corner radius that the job requests.
    """

    width: float
    height: float
    asked_width: float | None = None
    asked_height: float | None = None
    corner: float = 0.0


def outline_names() -> list[str]:
    """Return the names of all outlines, sorted.

    Examples
    --------
    >>> outline_names()
    ['arch', 'disc', 'rectangle']
    """
    modules = (module.name for module in iter_modules([str(Path(__file__).parent)]))
    return sorted(name.removeprefix(PREFIX) for name in modules if name.startswith(PREFIX))


def make_outline(name: str, sides: Sides) -> Polygon:
    """Return the outline with a given name and size.

    Parameters
    ----------
    name : str
        One of `outline_names`, or the path of a polygon file. Text that contains a period, a slash or a
        backslash is taken as a path. The polygon of a file keeps its proportions; it also keeps its size if
        the job requests neither side.
    sides : Sides

    Returns
    -------
    Polygon
        The lower left corner of its bounding box is at the origin.

    Raises
    ------
    PathgenError
        If the name is unknown, the file does not contain exactly one valid polygon, or the outline cannot
        have these sides.

    Examples
    --------
    >>> make_outline("disc", Sides(60.0, 40.0)).bounds
    (0.0, 0.0, 60.0, 60.0)
    """
    if any(mark in name for mark in "./\\"):
        return polygon_file(name, sides.asked_width, sides.asked_height)
    known = outline_names()
    if name not in known:
        what, allowed = f"unknown outline {name!r}", f"{', '.join(known)}, or a polygon file"
        raise PathgenError(what, where="outline", allowed=allowed, hint=nearest(name, known))
    outline: Polygon = getattr(import_module(f"pathgen.panel.{PREFIX}{name}"), f"{name}_outline")(sides)
    return outline
