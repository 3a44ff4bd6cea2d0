"""The line work of the sea chart: frame, rose, course, lights, names, soundings.

Places are columns and rows of the sheet's own dots; line widths and letters are in units, 3000 to its width.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from scenes.lettering import length, strokes
from scenes.tools import Array, Mask, Point

NORTH = 0.06  # radians that the rose is turned by
ROSE = 0.205, 0.36, 0.092  # place, as shares of the sheet's sides, and size, as a share of its width
COURSE = (0.08, 0.90), (0.30, 0.82), (0.44, 0.62), (0.585, 0.545), (0.70, 0.535)
LIGHTS = (0.505, 0.335, 1.2, 4.2, 0.20), (0.642, 0.61, 2.1, 5.2, 0.15)  # place, sector from and to, its reach
TITLE = 0.80, 0.176, 0.138, 0.096  # middle of the title's panel and half its sides
NAMES = (  # text, place, size, direction
    ("OUTER BANK", 0.205, 0.700, 32, 0.12),
    ("GULL ROCK", 0.375, 0.395, 22, 0.0),
    ("WARDEN POINT", 0.325, 0.285, 24, 0.0),
    ("THE NARROWS", 0.600, 0.505, 22, 0.06),
    ("INNER HARBOUR", 0.745, 0.500, 27, 0.0),
    ("PILOT STATION", 0.600, 0.665, 24, 0.0),
    ("LONG REACH", 0.42, 0.86, 42, 0.22),
    ("ANCHORAGE", 0.33, 0.560, 32, -0.06),
)


class Pen:
    """A mask to draw on, that knows the sheet's size."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height, self.unit = width, height, width / 3000
        self.mask = Mask(width, height, 1)

    def line(self, points: Sequence[Point] | Array, wide: float, value: float = 1.0) -> None:
        """Draw a line, `wide` in units."""
        self.mask.line(points, wide * self.unit, value)

    def disc(self, x: float, y: float, radius: float, value: float = 1.0) -> None:
        """Fill a disc, its radius in units."""
        self.mask.ellipse(x, y, radius * self.unit, radius * self.unit, value)

    def write(self, text: str, x: float, y: float, size: float, wide: float, **how: float) -> None:
        """Letter a line of text, size and width of stroke in units."""
        for stroke in strokes(text, x, y, size * self.unit, **how):
            self.line(stroke, wide)


def engrave(width: int, height: int, bed: Array, sea: Array) -> Array:
    """Draw all lines and letters; coverage, 1 for ink."""
    pen = Pen(width, height)
    frame(pen)
    rhumbs(pen, sea)
    rose(pen)
    lily(pen)
    course(pen)
    for light in LIGHTS:
        sector(pen, *light)
    title(pen)
    for text, a, b, size, turn in NAMES:
        how = {"turn": turn, "spacing": spaced(size), "slant": 0.25}
        pen.write(text, a * width, b * height, size, 2.0 + size / 11, **how)
    soundings(pen, bed)
    return pen.mask.array()


def around(x: float, y: float, radius: Array | float, angle: Array | float) -> Array:
    """Find the place at a distance and a bearing from another."""
    return np.stack(np.broadcast_arrays(x + radius * np.sin(angle), y - radius * np.cos(angle)), axis=-1)


def frame(pen: Pen) -> None:
    """Draw the neat lines, scales of black and white along them, and the net of degrees."""
    width, height = pen.width, pen.height
    for inset, wide in ((0.045, 2.0), (0.040, 2.0), (0.026, 6.0)):
        d = inset * width
        pen.line([(d, d), (width - d, d), (width - d, height - d), (d, height - d), (d, d)], wide)
    low, high = 0.0405 * width, 0.0445 * width
    for i in range(0, 60, 2):
        x0, x1 = (low + (width - 2 * low) * k / 60 for k in (i, i + 1))
        y0, y1 = (low + (height - 2 * low) * k / 60 for k in (i, i + 1))
        for y, to in ((low, high), (height - high, height - low)):
            pen.mask.polygon([(x0, y), (x1, y), (x1, to), (x0, to)])
        for x, to in ((low, high), (width - high, width - low)):
            pen.mask.polygon([(x, y0), (to, y0), (to, y1), (x, y1)])
    for i in range(1, 6):
        x, y = width * (0.045 + 0.91 * i / 6), height * (0.06 + 0.88 * i / 6)
        pen.line([(x, high), (x, height - high)], 1.0, 0.45)
        pen.line([(high, y), (width - high, y)], 1.0, 0.45)
        for foot in (0.0385 * width, height - 0.029 * width):
            pen.write(f"{12 + i}'", x - 20 * pen.unit, foot, 24, 2.4)


def rhumbs(pen: Pen, sea: Array) -> None:
    """Draw sixteen lines of bearing from the rose to the first shore, or the frame."""
    a, b, r = ROSE
    edge = 0.046 * pen.width
    for i in range(16):
        far = np.linspace(1.25 * r, 2.4, 900) * pen.width
        line = around(a * pen.width, b * pen.height, far, np.pi * i / 8 + NORTH)
        x, y = line.T
        within = (x > edge) & (x < pen.width - edge) & (y > edge) & (y < pen.height - edge)
        wet = np.zeros(len(far), bool)
        wet[within] = sea[y[within].astype(int), x[within].astype(int)]
        last = int(np.argmin(np.append(wet, False)))
        if last > 1:
            pen.line([line[0], line[last - 1]], 1.5, 0.6)


def rose(pen: Pen) -> None:
    """Draw the rose: a ring of degrees, and a star of sixteen points."""
    x, y, r = ROSE[0] * pen.width, ROSE[1] * pen.height, ROSE[2] * pen.width
    for i in range(360):
        angle = np.radians(i) + NORTH
        inner = 0.93 if i % 10 == 0 else 0.955 if i % 5 == 0 else 0.975
        pen.line(around(x, y, np.array([inner, 1.0]) * 1.12 * r, angle), 3.2 if i % 10 == 0 else 2.0)
        if i % 30 == 0:
            back = length(str(i), 24 * pen.unit) / 2
            px, py = around(x, y, 1.20 * r, angle) - back * np.array([np.cos(angle), np.sin(angle)])
            pen.write(str(i), px, py, 24, 2.8, turn=-angle)
    for q, wide in ((1.12, 4.0), (1.03, 2.2), (0.74, 2.8), (0.30, 2.8)):
        pen.line(around(x, y, q * r, np.linspace(0, 2 * np.pi, 400)), wide)
    for points, tall, wide in (
        (range(1, 16, 2), 0.44, 0.075),
        (range(2, 16, 4), 0.64, 0.10),
        (range(0, 16, 4), 1.0, 0.145),
    ):
        for i in points:
            angle = np.pi * i / 8 + NORTH
            for hand in (-1, 1):  # one half of each point is black, the other white
                side = around(x, y, 1.6 * wide * r, angle + hand * np.pi / 8)
                half = [(x, y), tuple(side), tuple(around(x, y, tall * r, angle))]
                pen.mask.polygon(half, 1.0 if hand > 0 else 0.0)
                pen.line([*half, half[0]], 1.6)


def lily(pen: Pen) -> None:
    """Draw the mark of north: a leaf between two curling ones."""
    r = ROSE[2] * pen.width
    up, side = np.array([np.sin(NORTH), -np.cos(NORTH)]), np.array([np.cos(NORTH), np.sin(NORTH)])
    t = np.linspace(0, 1, 24)
    foot = np.array([ROSE[0] * pen.width, ROSE[1] * pen.height]) + 1.30 * r * up
    for hand in (-1, 1):
        bulge = hand * 0.055 * r * np.sin(np.pi * t) ** 0.8
        pen.mask.polygon([*(foot + np.outer(t * 0.30 * r, up) + np.outer(bulge, side)), tuple(foot)])
        rise = (0.20 * np.sin(2.4 * t) - 0.02) * r
        pen.line(foot + np.outer(rise, up) + np.outer(hand * (0.02 + 0.17 * t) * r, side), 7)
    pen.line([foot + r * (q * 0.11 * side + 0.04 * up) for q in (-1, 1)], 5)


def course(pen: Pen) -> None:
    """Lay off a course in pencil: legs with ticks, their bearings, a ring at every turn."""
    points = np.array(COURSE) * (pen.width, pen.height)
    pen.line(points, 4.5, 0.8)
    for (x0, y0), (x1, y1) in zip(points, points[1:], strict=False):
        angle = np.arctan2(y1 - y0, x1 - x0)
        tick = 12 * pen.unit * np.array([np.sin(angle), -np.cos(angle)])
        for share in (0.25, 0.5, 0.75):
            at = np.array([x0 + share * (x1 - x0), y0 + share * (y1 - y0)])
            pen.line([at - tick, at + tick], 2.2, 0.8)
        bearing = round(np.degrees(np.arctan2(x1 - x0, y0 - y1))) % 360
        place = (x0 + x1) / 2 - 60 * pen.unit, (y0 + y1) / 2 - 22 * pen.unit
        pen.write(f"{bearing:03d}°", *place, 22, 2.2, turn=-angle, slant=0.2)
        pen.disc(x1, y1, 10, 0.9)
        pen.disc(x1, y1, 7.5, 0.0)


def sector(pen: Pen, a: float, b: float, first: float, last: float, reach: float) -> None:
    """Mark a light with a star, and the sector over which it shows with a broken arc and two broken lines."""
    x, y, reach = a * pen.width, b * pen.height, reach * pen.width
    points = np.arange(12)
    pen.mask.polygon(around(x, y, np.where(points % 2, 10, 24) * pen.unit, points * np.pi / 6))
    pen.disc(x, y, 6, 0.0)
    pen.disc(x, y, 3)
    arc = around(x, y, reach, np.linspace(first, last, 120))
    for k in range(0, 118, 4):
        pen.line(arc[k : k + 3], 1.8, 0.8)
    for end in (first, last):
        for k in range(0, 22, 2):
            pen.line(around(x, y, reach * np.array([k, k + 1]) / 22, end), 1.5, 0.7)


def title(pen: Pen) -> None:
    """Letter the title in its panel."""
    middle, row, across, down = TITLE
    for text, foot, size, wide, spacing in (
        ("APPROACHES", 0.132, 60, 8, 1.2),
        ("TO THE HARBOUR", 0.180, 46, 5.5, 1.15),
        ("SOUNDINGS IN FATHOMS", 0.22, 26, 3.4, 1.15),
        ("HEIGHTS IN FEET", 0.245, 26, 3.4, 1.15),
    ):
        x = middle * pen.width - length(text, size * pen.unit, spacing) / 2
        pen.write(text, x, foot * pen.height, size, wide, spacing=spacing)
    for dx, dy, wide in ((across, down, 3.5), (across - 0.004, down - 0.0055, 1.5)):
        corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]) * (dx, dy)
        pen.line((corners + (middle, row)) * (pen.width, pen.height), wide)


def soundings(pen: Pen, bed: Array) -> None:
    """Write depths all over the water, on a net shaken up, clear of the names."""
    rng = np.random.default_rng(29)
    for row in range(27):
        for column in range(40):
            a = 0.065 + 0.87 * (column + rng.uniform(0.1, 0.9)) / 40
            b = 0.075 + 0.85 * (row + rng.uniform(0.1, 0.9)) / 27
            depth = -float(bed[int(b * pen.height), int(a * pen.width)])
            if depth > 0.015 and free_of_names(pen, a, b) and rng.random() < 0.80:
                fathoms = max(1, round(85 * depth**1.2))
                pen.write(str(fathoms), a * pen.width, b * pen.height, 18, 2.5, slant=0.2)


def spaced(size: float) -> float:
    """Space large names widely."""
    return 1.5 if size > 28 else 1.1


def free_of_names(pen: Pen, a: float, b: float) -> bool:
    """Whether a sounding may stand here: clear of the rose and of every name."""
    if np.hypot(a - ROSE[0], (b - ROSE[1]) * pen.height / pen.width) < 0.125:
        return False
    for text, at, foot, size, turn in NAMES:
        along = (a - at) * 3000
        rise = (foot - b) * 3000 * pen.height / pen.width - along * np.tan(turn)
        if -45 < along < length(text, size, spaced(size)) + 15 and -28 < rise < size + 12:
            return False
    return True
