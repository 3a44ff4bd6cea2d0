"""The brim: loops of the first layer around the foot, joined to it, that hold a tall thin panel down."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import Polygon

from pathgen.layers.strokes import Floats, Profiles, Strokes

# Round corners of a brim need no finer chords than a bead can show.
CORNER_STEPS = 8
SMOOTH = 0.05  # mm


def brim_loops(profiles: Profiles, width: float, pitch: float) -> Strokes:
    """Lay loops around the foot of the first layer, the outermost first, the innermost touching the foot.

    Parameters
    ----------
    profiles : Profiles
        A block whose first row is the first layer.
    width : float
        Width of the brim, mm; 0 gives no loops.
    pitch : float
        Pitch of the loops, mm. The last loop makes the brim at least `width` wide.

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
    outline = foot_outline(profiles)
    loops = int(np.ceil(width / pitch - 1e-9)) if not outline.is_empty else 0
    offsets = [pitch * (i + 0.5) for i in range(loops)][::-1]
    rings: list[Floats] = []
    for offset in offsets:
        grown = shapely.buffer(outline, offset, quad_segs=CORNER_STEPS).simplify(SMOOTH)
        rings += [np.asarray(part.exterior.coords) for part in shapely.get_parts(grown)]
    return _loops(rings, pitch, profiles)


def foot_outline(profiles: Profiles) -> Polygon | shapely.MultiPolygon:
    """Outline of the first layer's section in (u, n), simplified; empty where there is no wall."""
    thickness = profiles.thickness[0]
    edge = np.diff((thickness > 0).astype(np.int8), prepend=0, append=0)
    parts = []
    for lo, hi in zip(np.flatnonzero(edge > 0), np.flatnonzero(edge < 0), strict=True):
        border = np.arange(lo, hi + 1) * profiles.pixel
        u = np.repeat(border, 2)[1:-1]
        face = np.column_stack([u, np.repeat(thickness[lo:hi], 2)])
        back = [(border[-1], 0.0), (border[0], 0.0)]
        parts.append(Polygon(np.vstack([face, back])).simplify(SMOOTH))
    joined = shapely.union_all(parts)
    return joined if parts else Polygon()


def _loops(rings: list[Floats], pitch: float, profiles: Profiles) -> Strokes:
    """Strokes of constant pitch along closed rings, all in the block's first layer."""
    points = np.concatenate([*rings, np.empty((0, 2))])
    start = np.cumsum([0, *(len(r) for r in rings)]).astype(np.intp)
    strokes = Strokes(
        u=points[:, 0].copy(),
        n=points[:, 1].copy(),
        area=np.zeros(len(points)),
        turn=np.zeros(len(points), bool),
        start=start,
        layer=np.full(len(rings), profiles.first, np.intp),
        counts=np.zeros((0, 0), np.int8),
    )
    if len(strokes):
        strokes.area[:] = pitch * strokes.length()
    return strokes
