"""Capitals and figures in single strokes, as a draughtsman rules them; no font of the system is used.

Each letter stands on a grid 4 wide and 6 high, column then row from its lower left corner: "00 26 40" is an
inverted V. A stroke is drawn through its points; strokes are parted by a bar.
"""

from __future__ import annotations

import numpy as np

STROKES = {
    "A": "00 26 40|12 32", "B": "00 06 26 35 34 23 03|23 42 41 30 00", "C": "45 36 16 05 01 10 30 41",
    "D": "00 06 26 44 42 20 00", "E": "46 06 00 40|03 33", "F": "46 06 00|03 33",
    "G": "45 36 16 05 01 10 30 41 43 23", "H": "00 06|40 46|03 43", "I": "20 26", "J": "46 41 30 10 01",
    "K": "00 06|46 03 40", "L": "06 00 40", "M": "00 06 22 46 40", "N": "00 06 40 46",
    "O": "10 01 05 16 36 45 41 30 10", "P": "00 06 36 45 44 33 03", "Q": "10 01 05 16 36 45 41 30 10|22 40",
    "R": "00 06 36 45 44 33 03|23 40", "S": "45 36 16 05 04 13 33 42 41 30 10 01", "T": "06 46|26 20",
    "U": "06 01 10 30 41 46", "V": "06 20 46", "W": "06 10 24 30 46", "X": "00 46|06 40",
    "Y": "06 23 46|23 20", "Z": "06 46 00 40", "0": "10 01 05 16 36 45 41 30 10", "1": "15 26 20|10 30",
    "2": "05 16 36 45 44 00 40", "3": "06 46 23 33 42 41 30 10 01", "4": "30 36 02 42",
    "5": "46 06 04 34 43 41 30 10 01", "6": "45 36 16 05 01 10 30 41 42 33 13 02", "7": "06 46 10",
    "8": "13 04 05 16 36 45 44 33 13 02 01 10 30 41 42 33", "9": "01 10 30 41 45 36 16 05 04 13 33 44",
    "-": "03 43", ".": "20 21", "'": "26 25", "°": "15 16 26 25 15",
}  # fmt: skip
ADVANCE = 5.6


def strokes(
    text: str, x: float, y: float, size: float, *, turn: float = 0.0, spacing: float = 1.0, slant: float = 0.0
) -> list[np.ndarray]:
    """Polylines of a line of text.

    Parameters
    ----------
    text : str
        Letters without a shape of their own leave a gap.
    x, y : float
        Where the line starts, on its foot; y grows downward.
    size : float
        Height of the capitals.
    turn : float
        Direction of the line, radians, upward positive.
    spacing, slant : float
        Factor on the distance from letter to letter; lean to the right.
    """
    unit, found = size / 6, []
    cos, sin = np.cos(turn), np.sin(turn)
    for i, letter in enumerate(text):
        for stroke in STROKES.get(letter, "").split("|"):
            points = np.array([[int(p[0]), int(p[1])] for p in stroke.split()], float)
            if not points.size:
                continue
            across = (points[:, 0] + slant * points[:, 1] + i * ADVANCE * spacing) * unit
            up = points[:, 1] * unit
            found.append(np.column_stack([x + across * cos - up * sin, y - across * sin - up * cos]))
    return found


def length(text: str, size: float, spacing: float = 1.0) -> float:
    """How long a line of text is."""
    return (len(text) * ADVANCE * spacing - 1.6) * size / 6
