"""Brim: loops of the first layer around the foot, which hold a tall, thin panel on the platform."""

from __future__ import annotations

import numpy as np
import shapely

from pathgen.layers.bent import bend_outline
from pathgen.layers.sections import outline_rings, section_outline
from pathgen.layers.strokes import Floats, Profiles, Strokes, make_strokes
from pathgen.panel.bend import Bend

CORNER_STEPS = 8  # segments of a quarter circle; a bead shows no finer chords
SMOOTH = 0.05  # tolerance of the loops, mm


def brim_loops(profiles: Profiles, width: float, spacing: float, bend: Bend | None = None) -> Strokes:
    """Return loops around the foot of the first layer, from the outermost to the one that touches the foot.

    Parameters
    ----------
    profiles : Profiles
        A block whose first row is the first layer.
    width : float
        Width of the brim, mm; 0 for no brim.
    spacing : float
        Spacing of the loops, mm. Their number is rounded up so that the brim is at least `width` wide.
    bend : Bend, optional
        Bend of the panel; the loops are then in plan coordinates, and a ring has loops inside as well.

    Returns
    -------
    Strokes
        Closed loops; empty if there is no foot.

    Examples
    --------
    >>> foot = Profiles(np.full((1, 100), 2.0), 0.1)
    >>> len(brim_loops(foot, 2.0, 0.5))
    4
    """
    foot = section_outline(profiles.thickness[0], profiles.pixel, SMOOTH)
    if bend is not None:
        foot = bend_outline(foot, bend)
    loops = int(np.ceil(width / spacing - 1e-9)) if not foot.is_empty else 0
    rings: list[Floats] = []
    for offset in [spacing * (i + 0.5) for i in range(loops)][::-1]:
        rings += outline_rings(shapely.buffer(foot, offset, quad_segs=CORNER_STEPS).simplify(SMOOTH))
    return make_strokes(rings, [profiles.first] * len(rings), spacing)
