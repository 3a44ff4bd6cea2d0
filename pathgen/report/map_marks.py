"""Marks on the thickness map: unsupported overhangs, and supports in front of the panel.

All overhangs are orange, because the map runs from white through blue to black, and orange and blue are the
pair of hues that most kinds of colour vision distinguish. The marks do not rely on hue alone: the face is
filled, the outline is hatched, and both have a light border against a dark map. Overhangs are often one pixel
high; isolated ones are enlarged to a visible size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from pathgen.report.canvas import FONT, INK, PAPER, Box
from pathgen.report.resampling import Dots, Floats, dilate, resample_nearest

Bools = NDArray[np.bool_]

BARE = np.array([228, 225, 217], np.uint8)  # no wall
MARK = (228, 92, 8)
FRINGE = tuple(bytes.fromhex(PAPER[1:]))
LINE = tuple(bytes.fromhex(INK[1:]))
SUPPORT_TONE, FIN_TONE = (198, 195, 186), (150, 148, 142)  # outside the wall
WIDEN = 1  # dots added around isolated marks
LOOK, CROWDED = 7, 0.12  # a mark is isolated if less than this share within so many dots is marked
HATCH = 4  # dots, period of the stripes
NOTHING, RIB, FIN = 0, 1, 2  # codes of a silhouette
BADGE = 17  # dots, size of a number
AWAY = (16, 22, 30, 42, 58, 80, 110)  # dots from a place to its number, closest first


@dataclass(frozen=True, slots=True)
class Marks:
    """Masks of overhangs and supports, with the shape of the map and row 0 at the top.

    Attributes
    ----------
    face, outline : (rows, cols) bool
        Unsupported overhangs of the face and of the outline.
    numbers : (rows, cols) int8
        1 in the middle of the worst place, 2 in the middle of the next, and so on; 0 elsewhere.
    supports : (rows, cols) int8
        Silhouette of the supports: `FIN` for beads toward the viewer, `RIB` for other beads, 0 for none.
    """

    face: Bools
    outline: Bools
    numbers: NDArray[np.int8]
    supports: NDArray[np.int8]


def draw_marks(dots: Dots, wall: Bools, marks: Marks) -> Dots:
    """Draw marks on a coloured map.

    Parameters
    ----------
    dots : (high, wide, 3) uint8
        The coloured map; it is not modified.
    wall : (high, wide) bool
        Dots with wall.
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
    >>> drawn = draw_marks(plain, np.ones((9, 9), bool), Marks(face, none, here, here))
    >>> drawn[4, 4].tolist() == list(MARK), drawn[0, 0].tolist()
    (True, [0, 0, 0])
    """
    high, wide = dots.shape[:2]
    drawn = _with_supports(dots, wall, marks.supports)
    face, outline = (_covered(m, high, wide) for m in (marks.face, marks.outline))
    sparse = _sparse(face | outline)
    face, outline = (m | (dilate(m, WIDEN) & sparse) for m in (face, outline))
    outline &= ~face
    overhang = face | outline
    drawn[dilate(overhang, 1) & ~overhang & sparse] = FRINGE
    drawn[overhang] = MARK
    across = np.add.outer(np.arange(high), np.arange(wide)) % HATCH < HATCH // 2
    drawn[outline & across] = FRINGE
    return drawn


def _covered(mask: Bools, high: int, wide: int) -> Bools:
    """Resample a mask so that even cells smaller than a dot remain visible."""
    covered = resample_nearest(mask, high, wide)
    row, col = np.nonzero(mask)
    rows, cols = mask.shape
    covered[(2 * row + 1) * high // (2 * rows), (2 * col + 1) * wide // (2 * cols)] = True
    return covered


def _sparse(mask: Bools) -> Bools:
    """Return the areas around isolated marks, which a person could overlook."""
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
    """Draw the silhouette of supports as outlines, filled outside the wall."""
    drawn = dots.copy()
    if not supports.any():
        return drawn
    high, wide = wall.shape
    here, fins = _covered(supports > NOTHING, high, wide), resample_nearest(supports, high, wide) == FIN
    drawn[here & ~wall] = SUPPORT_TONE
    drawn[here & fins & ~wall] = FIN_TONE
    inside = ~dilate(~here, 1)
    border = here & ~inside
    drawn[inside & dilate(border, 1) & wall] = FRINGE
    drawn[border] = LINE
    return drawn


def draw_swatch(kind: str, high: int, wide: int) -> Dots:
    """Draw a sample of a mark for the key: "face", "outline" or "supports".

    Examples
    --------
    >>> draw_swatch("face", 12, 26)[6, 13].tolist() == list(MARK)
    True
    """
    middle = np.zeros((high, wide), bool)
    middle[2:-2, 2:-2] = True
    none = np.zeros_like(middle)
    face, outline = middle if kind == "face" else none, middle if kind == "outline" else none
    fins = np.where(np.arange(wide) % 6 < 2, FIN, RIB).astype(np.int8)
    supports = np.where(middle, fins, NOTHING).astype(np.int8) if kind == "supports" else none.astype(np.int8)
    bare = np.broadcast_to(BARE, (high, wide, 3))
    return draw_marks(bare, none, Marks(face, outline, none.astype(np.int8), supports))


def number_places(axes: Axes, box: Box, marks: Marks) -> None:
    """Draw the numbers of the worst overhangs: circles for the face, squares for the outline."""
    rows, cols = marks.numbers.shape
    row, col = np.nonzero(marks.numbers)
    spots = np.column_stack([(col + 0.5) / cols * box.wide, box.high - (row + 0.5) / rows * box.high])
    order = np.argsort(marks.numbers[row, col])
    outline = marks.outline[row, col][order]
    arrow = {"arrowstyle": "-", "color": INK, "linewidth": 0.9, "shrinkA": 0, "shrinkB": 0}
    size = (box.wide, box.high)
    for i, (spot, badge) in enumerate(zip(spots[order], place_labels(spots[order], box), strict=True)):
        style = "square,pad=0.28" if outline[i] else "circle,pad=0.22"
        frame = {"boxstyle": style, "facecolor": PAPER, "edgecolor": INK, "linewidth": 0.9}
        axes.annotate(
            str(marks.numbers[row, col][order][i]), spot / size, badge / size, "axes fraction",
            "axes fraction", arrow, ha="center", va="center_baseline", fontsize=8, fontweight="bold",
            fontfamily=FONT, color=INK, bbox=frame, annotation_clip=False, zorder=6,
        )  # fmt: skip


def place_labels(spots: Floats, box: Box) -> Floats:
    """Choose label positions inside the map that cover neither points nor other labels.

    Parameters
    ----------
    spots : (P, 2) float
        Places, in dots from the map's lower left corner.
    box : Box
        Position of the map.

    Returns
    -------
    (P, 2) float
        Centres of the numbers. Without a free position, a number covers another place rather than another
        number.

    Examples
    --------
    >>> place_labels(np.array([[50.0, 50.0]]), Box(0, 0, 100, 100)).tolist()
    [[61.3, 61.3]]
    """
    angle = np.radians(45 + np.arange(8) * 45.0)
    directions = np.column_stack([np.cos(angle), np.sin(angle)])
    offsets = (np.array(AWAY)[:, None, None] * directions).reshape(-1, 2)
    half, found = BADGE / 2 + 1, np.empty((0, 2))
    for spot in spots:
        there = np.round(spot + offsets, 1)
        apart = (np.abs(there[:, None] - found).max(axis=2) > BADGE + 3).all(axis=1)
        clear = (np.abs(there[:, None] - spots).max(axis=2) > half).all(axis=1)
        inside = (there > half).all(axis=1) & (there < (box.wide - half, box.high - half)).all(axis=1)
        best = there[np.argmax(4 * apart + 2 * inside + 1 * clear)]
        found = np.vstack([found, best])
    return found
