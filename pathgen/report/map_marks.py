"""What is marked on a thickness map: where the panel leans out too far, and the supports in front of it.

One colour marks what leans. It is an orange because the map runs from white through blue to black, and of all
pairs of hues orange and blue differ to the most kinds of colour vision; so that nothing hangs on hue alone,
the face is filled, the outline hatched, and both have a light fringe that parts them from a dark map. Places
that lean are often a pixel high: where few are together, they are widened to a size that can be seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from pathgen.report.canvas import BARE, FONT, INK, PAPER, Box, Dots, Floats, grown, pick

Bools = NDArray[np.bool_]

MARK = (228, 92, 8)
FRINGE = tuple(bytes.fromhex(PAPER[1:]))
LINE = tuple(bytes.fromhex(INK[1:]))
SUPPORT_TONE, FIN_TONE = (198, 195, 186), (150, 148, 142)  # before no wall
WIDEN = 1  # dots around what leans, where there is room
LOOK, CROWDED = 7, 0.12  # within so many dots, at this share of them and above, there is none
HATCH = 4  # dots from stripe to stripe
NOTHING, RIB, FIN = 0, 1, 2  # codes of a silhouette
BADGE = 17  # dots across
AWAY = (16, 22, 30, 42, 58, 80, 110)  # dots from a place to its number, the nearest first


@dataclass(frozen=True, slots=True)
class Marks:
    """What to mark on a map; all arrays have the map's shape, row 0 at the top.

    Attributes
    ----------
    face, outline : (rows, cols) bool
        Where the face leans out too far, and where the outline does.
    numbers : (rows, cols) int8
        1 in the middle of the worst place, 2 in that of the next, and so on; 0 elsewhere.
    supports : (rows, cols) int8
        Silhouette of the supports: `FIN` where a bead runs toward the viewer, `RIB` for the rest, and 0 where
        there is nothing.
    """

    face: Bools
    outline: Bools
    numbers: NDArray[np.int8]
    supports: NDArray[np.int8]


def mark(dots: Dots, wall: Bools, marks: Marks) -> Dots:
    """Mark a coloured map.

    Parameters
    ----------
    dots : (high, wide, 3) uint8
        The map as it is drawn; it stays as it is.
    wall : (high, wide) bool
        Where there is wall.
    marks : Marks

    Returns
    -------
    (high, wide, 3) uint8

    Examples
    --------
    >>> none, here = np.zeros((3, 3), bool), np.zeros((3, 3), np.int8)
    >>> face = none.copy()
    >>> face[1, 1] = True
    >>> plain = np.zeros((9, 9, 3), np.uint8)
    >>> drawn = mark(plain, np.ones((9, 9), bool), Marks(face, none, here, here))
    >>> drawn[4, 4].tolist() == list(MARK), drawn[0, 0].tolist()
    (True, [0, 0, 0])
    """
    high, wide = dots.shape[:2]
    drawn = _with_supports(dots, wall, marks.supports)
    face, outline = (_covered(m, high, wide) for m in (marks.face, marks.outline))
    sparse = _sparse(face | outline)
    face, outline = (m | (grown(m, WIDEN) & sparse) for m in (face, outline))
    outline &= ~face
    leaning = face | outline
    drawn[grown(leaning, 1) & ~leaning & sparse] = FRINGE
    drawn[leaning] = MARK
    across = np.add.outer(np.arange(high), np.arange(wide)) % HATCH < HATCH // 2
    drawn[outline & across] = FRINGE
    return drawn


def _covered(mask: Bools, high: int, wide: int) -> Bools:
    """Bring a mask to another size; every cell of it, however small, marks a dot."""
    covered = pick(mask, high, wide)
    row, col = np.nonzero(mask)
    rows, cols = mask.shape
    covered[(2 * row + 1) * high // (2 * rows), (2 * col + 1) * wide // (2 * cols)] = True
    return covered


def _sparse(mask: Bools) -> Bools:
    """Tell where a mask is so sparse that its dots could be missed, and there is room around them."""
    high, wide = mask.shape
    summed = np.zeros((high + 1, wide + 1), np.intp)
    summed[1:, 1:] = mask.cumsum(axis=0).cumsum(axis=1)
    (top, foot), (left, right) = (
        (np.clip(np.arange(n) - LOOK, 0, n), np.clip(np.arange(n) + LOOK + 1, 0, n)) for n in (high, wide)
    )
    near = summed[foot][:, right] - summed[foot][:, left] - summed[top][:, right] + summed[top][:, left]
    sparse: Bools = near < CROWDED * np.outer(foot - top, right - left)
    return sparse


def _with_supports(dots: Dots, wall: Bools, supports: NDArray[np.int8]) -> Dots:
    """Draw the silhouette of supports: dark borders, light inside; tones where there is no wall."""
    drawn = dots.copy()
    if not supports.any():
        return drawn
    high, wide = wall.shape
    here, fins = _covered(supports > NOTHING, high, wide), pick(supports, high, wide) == FIN
    drawn[here & ~wall] = SUPPORT_TONE
    drawn[here & fins & ~wall] = FIN_TONE
    inside = ~grown(~here, 1)
    border = here & ~inside
    drawn[inside & grown(border, 1) & wall] = FRINGE
    drawn[border] = LINE
    return drawn


def swatch(kind: str, high: int, wide: int) -> Dots:
    """Draw a piece of a key: "face", "outline" or "supports".

    Examples
    --------
    >>> swatch("face", 12, 26)[6, 13].tolist() == list(MARK)
    True
    """
    middle = np.zeros((high, wide), bool)
    middle[2:-2, 2:-2] = True
    none = np.zeros_like(middle)
    face, outline = middle if kind == "face" else none, middle if kind == "outline" else none
    fins = np.where(np.arange(wide) % 6 < 2, FIN, RIB).astype(np.int8)
    supports = np.where(middle, fins, NOTHING).astype(np.int8) if kind == "supports" else none.astype(np.int8)
    bare = np.broadcast_to(np.array(BARE, np.uint8), (high, wide, 3))
    return mark(bare, none, Marks(face, outline, none.astype(np.int8), supports))


def number_places(axes: Axes, box: Box, marks: Marks) -> None:
    """Put numbers at the worst places of the map in `box`: discs for the face, squares for the outline."""
    rows, cols = marks.numbers.shape
    row, col = np.nonzero(marks.numbers)
    spots = np.column_stack([(col + 0.5) / cols * box.wide, box.high - (row + 0.5) / rows * box.high])
    order = np.argsort(marks.numbers[row, col])
    outline = marks.outline[row, col][order]
    for i, (spot, badge) in enumerate(zip(spots[order], badges(spots[order], box), strict=True)):
        style = "square,pad=0.28" if outline[i] else "circle,pad=0.22"
        axes.annotate(
            str(marks.numbers[row, col][order][i]),
            spot / (box.wide, box.high),
            badge / (box.wide, box.high),
            "axes fraction",
            "axes fraction",
            {"arrowstyle": "-", "color": INK, "linewidth": 0.9, "shrinkA": 0, "shrinkB": 0},
            ha="center",
            va="center_baseline",
            fontsize=8,
            fontweight="bold",
            fontfamily=FONT,
            color=INK,
            bbox={"boxstyle": style, "facecolor": PAPER, "edgecolor": INK, "linewidth": 0.9},
            annotation_clip=False,
            zorder=6,
        )


def badges(spots: Floats, box: Box) -> Floats:
    """Find room for the numbers of places: beside each, inside the map, off all others and their numbers.

    Parameters
    ----------
    spots : (P, 2) float
        Dots from the map's lower left corner.
    box : Box
        The map's.

    Returns
    -------
    (P, 2) float
        Middles of the numbers. Where nothing is free they lie on the nearest spot that is not on another
        number, or at last on the place itself.

    Examples
    --------
    >>> badges(np.array([[50.0, 50.0]]), Box(0, 0, 100, 100)).tolist()
    [[61.3, 61.3]]
    """
    turn = np.radians(45 + np.arange(8) * 45.0)
    round_about = np.column_stack([np.cos(turn), np.sin(turn)])
    offered = (np.array(AWAY)[:, None, None] * round_about).reshape(-1, 2)
    half, found = BADGE / 2 + 1, np.empty((0, 2))
    for spot in spots:
        there = np.round(spot + offered, 1)
        apart = (np.abs(there[:, None] - found).max(axis=2) > BADGE + 3).all(axis=1)
        clear = (np.abs(there[:, None] - spots).max(axis=2) > half).all(axis=1)
        inside = (there > half).all(axis=1) & (there < (box.wide - half, box.high - half)).all(axis=1)
        best = there[np.argmax(4 * apart + 2 * inside + 1 * clear)] if len(there) else spot
        found = np.vstack([found, best])
    return found
