"""The brim: loops of the first layer around the foot, joined to it, that hold a tall thin panel down."""

from __future__ import annotations

import numpy as np
import shapely

from pathgen.layers.bent import bent_outline
from pathgen.layers.sections import outline
from pathgen.layers.strokes import Floats, Profiles, Strokes, constant_spacing
from pathgen.panel.bend import Bend

# Round corners of a brim need no finer chords than a bead can show.
CORNER_STEPS = 8
SMOOTH = 0.05  # mm


def brim_loops(profiles: Profiles, width: float, spacing: float, bend: Bend | None = None) -> Strokes:
    """Lay loops around the foot of the first layer, the outermost first, the innermost touching the foot.

    Parameters
    ----------
    profiles : Profiles
        A block whose first row is the first layer.
    width : float
        Width of the brim, mm; 0 gives no loops.
    spacing : float
        Spacing of the loops, mm. The last loop makes the brim at least `width` wide.
    bend : Bend, optional
        How the panel is bent; the loops are then in plan coordinates, and inside a ring too.

    Returns
    -------
    Strokes
        Closed loops; empty where there is no foot.

    Examples
    --------
    >>> foot = Profiles(np.full((1, 100), 2.0), 0.1)
    >>> len(brim_loops(foot, 2.0, 0.5))
    4
    """
    foot = outline(profiles.thickness[0], profiles.pixel, SMOOTH)
    if bend is not None:
        foot = bent_outline(foot, bend)
    loops = int(np.ceil(width / spacing - 1e-9)) if not foot.is_empty else 0
    offsets = [spacing * (i + 0.5) for i in range(loops)][::-1]
    rings: list[Floats] = []
    for offset in offsets:
        grown = shapely.buffer(foot, offset, quad_segs=CORNER_STEPS).simplify(SMOOTH)
        for part in shapely.get_parts(grown):
            rings += [np.asarray(ring.coords) for ring in (part.exterior, *part.interiors)]
    return constant_spacing(rings, [profiles.first] * len(rings), spacing)
