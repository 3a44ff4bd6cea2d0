"""What all scenes are drawn with: noise, soft masks, a simple camera, and the film that records the light.

Scenes are computed in linear light on float32 arrays, row 0 at the top, and become 8-bit grey codes only in
`develop`. Everything random comes from seeds, so a picture is the same whenever it is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

Array = NDArray[np.float32]
Point = tuple[float, float]

LATTICE = 256  # nodes after which noise repeats; a power of two


def smoothstep(low: float, high: float, x: Array) -> Array:
    """0 below `low`, 1 above `high` (or the other way round), smooth in between."""
    t = np.clip((x - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)


def mix(a: Array | float, b: Array | float, share: Array | float) -> Array:
    """Blend: a where `share` is 0, b where it is 1."""
    return a + (b - a) * share


@cache
def lattice(seed: int, dimensions: int) -> Array:
    """Random values from -1 to 1 at the nodes of a lattice."""
    size = LATTICE if dimensions == 2 else 64
    return np.random.default_rng(seed).uniform(-1, 1, (size,) * dimensions).astype(np.float32)


def noise(seed: int, *place: Array) -> Array:
    """Smooth noise from -1 to 1 in two or three dimensions: a lattice of values, interpolated."""
    table = lattice(seed, len(place))
    size = table.shape[0]
    cells, steps = [], []
    for x in np.broadcast_arrays(*place):
        whole = np.floor(x)
        part = (x - whole).astype(np.float32)
        steps.append(part * part * part * (part * (part * 6 - 15) + 10))
        low = whole.astype(np.int32) & (size - 1)
        cells.append((low, (low + 1) & (size - 1)))
    return _between(table, cells, steps, ())


def _between(table: Array, cells: list, steps: list, chosen: tuple) -> Array:
    if len(chosen) == len(cells):
        return table[chosen]
    low, high = cells[len(chosen)]
    a = _between(table, cells, steps, (*chosen, low))
    return a + (_between(table, cells, steps, (*chosen, high)) - a) * steps[len(chosen)]


def fractal(seed: int, *place: Array, octaves: int = 5, gain: float = 0.5, ridged: bool = False) -> Array:
    """Several octaves of noise on one another, about -1 to 1; `ridged` folds each one into crests."""
    total, weight, whole = np.float32(0), 1.0, 0.0
    for i in range(octaves):
        # An odd ratio and a shift keep the lattices of the octaves from lining up.
        layer = noise(seed + i, *(x * np.float32(2.03**i) + np.float32(17.3 * i) for x in place))
        total = total + weight * (1 - 2 * np.abs(layer) if ridged else layer)
        whole += weight
        weight *= gain
    return (total / np.float32(whole)).astype(np.float32)


def grid(width: int, height: int) -> tuple[Array, Array]:
    """Column and row of every pixel's middle, (height, width) each."""
    y, x = np.mgrid[:height, :width].astype(np.float32)
    return x + 0.5, y + 0.5


def blur(picture: Array, radius: float, radius_y: float | None = None) -> Array:
    """Gaussian blur; beyond the edges the picture is taken to go on as its mirror image."""
    out = picture
    for axis, sigma in ((0, radius if radius_y is None else radius_y), (1, radius)):
        if sigma <= 0:
            continue
        size = out.shape[axis]
        pad = min(size - 1, int(4 * sigma) + 1)
        widths = [(0, 0), (0, 0)]
        widths[axis] = (pad, pad)
        padded = np.pad(out, widths, mode="reflect")
        frequency = np.fft.rfftfreq(padded.shape[axis])
        response = np.exp(-2 * (np.pi * sigma * frequency) ** 2)
        shape = [1, 1]
        shape[axis] = -1
        spectrum = np.fft.rfft(padded, axis=axis) * response.reshape(shape)
        out = np.fft.irfft(spectrum, padded.shape[axis], axis=axis)
        out = np.take(out, np.arange(pad, pad + size), axis=axis)
    return out.astype(np.float32)


def sample(picture: Array, x: Array, y: Array) -> Array:
    """Read a picture between its pixels, bilinearly; its edge pixels go on for ever."""
    height, width = picture.shape
    x, y = np.clip(x - 0.5, 0, width - 1.001), np.clip(y - 0.5, 0, height - 1.001)
    column, row = x.astype(np.int32), y.astype(np.int32)
    fx, fy = x - column, y - row
    above = mix(picture[row, column], picture[row, column + 1], fx)
    below = mix(picture[row + 1, column], picture[row + 1, column + 1], fx)
    return mix(above, below, fy)


def shrink(picture: Array, times: int) -> Array:
    """Bring a picture computed with several points a pixel down to its pixels."""
    height, width = picture.shape
    return picture.reshape(height // times, times, width // times, times).mean(axis=(1, 3))


def ripples(
    u: Array, v: Array, footprint: Array, *, wind: float, seed: int, steep: float = 0.035
) -> tuple[Array, Array]:
    """Slopes of a wind-blown water surface.

    Parameters
    ----------
    u, v : arrays
        Place on the water, m: across the view and along it.
    footprint : array
        Metres of water that one point of the picture holds; waves shorter than that are left out.
    wind : float
        Direction from which the wind comes, radians from the u axis.
    seed : int
    steep : float
        Root of the mean square slope of each of the 26 waves, roughly.

    Returns
    -------
    tilt_u, tilt_v : arrays
    """
    rng = np.random.default_rng(seed)
    tilt_u, tilt_v = np.zeros_like(u), np.zeros_like(u)
    gusts = 0.75 + 0.6 * noise(seed, u / 9, v / 23) + 0.35 * noise(seed + 1, u / 2.3, v / 6)
    bend_u, bend_v = 0.35 * noise(seed + 2, u / 1.7, v / 1.7), 0.35 * noise(seed + 3, u / 2.1, v / 2.1)
    for length in np.geomspace(14, 0.16, 26):
        turn = wind + rng.normal(0, 0.55)
        cos, sin, phase = np.cos(turn), np.sin(turn), rng.uniform(0, 2 * np.pi)
        keep = smoothstep(0.9, 0.15, footprint / length)
        bent = min(1.0, length / 2)  # short waves ride on the same crooked lines as long ones, scaled to them
        angle = (2 * np.pi / length) * ((u + bent * bend_u) * cos + (v + bent * bend_v) * sin) + phase
        wave = np.cos(angle) + 0.35 * np.cos(2 * angle)  # crests sharper than troughs
        slope = steep * keep * np.clip(gusts, 0.1, 2) * wave
        tilt_u += (slope * cos).astype(np.float32)
        tilt_v += (slope * sin).astype(np.float32)
    return tilt_u, tilt_v


class Mask:
    """Coverage from 0 to 1 of shapes drawn with smooth edges: drawn large and brought down."""

    def __init__(self, width: int, height: int, times: int = 4) -> None:
        self.times = times
        self.image = Image.new("L", (width * times, height * times))
        self._pen = ImageDraw.Draw(self.image)

    def polygon(self, points: Sequence[Point] | Array, value: float = 1.0) -> Mask:
        """Fill a polygon, points in pixels."""
        self._pen.polygon([(x * self.times, y * self.times) for x, y in points], fill=round(255 * value))
        return self

    def line(self, points: Sequence[Point] | Array, width: float, value: float = 1.0) -> Mask:
        """Draw a polyline, width in pixels; a line thinner than the fine grid is drawn fainter instead."""
        wide = width * self.times
        shade = round(255 * value * min(1.0, wide))
        scaled = [(x * self.times, y * self.times) for x, y in points]
        self._pen.line(scaled, fill=shade, width=max(1, round(wide)), joint="curve")
        return self

    def limb(self, points: Sequence[Point] | Array, width: float) -> Mask:
        """Draw a polyline with round joints and ends."""
        self.line(points, width)
        for x, y in points:
            self.ellipse(x, y, width / 2, width / 2)
        return self

    def ellipse(self, x: float, y: float, rx: float, ry: float, value: float = 1.0) -> Mask:
        """Fill an ellipse around (x, y)."""
        box = [(x - rx) * self.times, (y - ry) * self.times, (x + rx) * self.times, (y + ry) * self.times]
        self._pen.ellipse(box, fill=round(255 * value))
        return self

    def array(self) -> Array:
        """Coverage by pixel."""
        small = self.image.reduce(self.times)
        return np.asarray(small, np.float32) / 255


def birds(
    light: Array, centre: Point, spread: Point, size: float, count: int, *, seed: int, grey: float = 0.03
) -> Array:
    """Scatter gulls on the wing about a place on the picture; `size` is about half a span, in pixels."""
    mask = Mask(light.shape[1], light.shape[0])
    rng = np.random.default_rng(seed)
    turn = np.linspace(-1, 1, 13)
    for _ in range(count):
        x, y = centre[0] + spread[0] * rng.normal(), centre[1] + spread[1] * rng.normal()
        half, tilt, bend = size * rng.uniform(0.6, 1.35), rng.uniform(-0.35, 0.35), rng.uniform(0.15, 0.55)
        wing = bend * (np.abs(turn) ** 0.6 - 1.2 * turn**2)
        points = np.column_stack([x + half * (turn + tilt * wing), y - half * (wing + tilt * turn)])
        mask.line(points, 0.13 * half).ellipse(x, y + 0.05 * half, 0.16 * half, 0.08 * half)
    return mix(light, np.float32(grey), 0.9 * mask.array())


def develop(
    light: Array,
    seed: int,
    *,
    exposure: float = 1.0,
    black: float = 0.01,
    contrast: float = 1.0,
    glow: float = 0.08,
    grain: float = 0.005,
    edge: float = 0.35,
) -> Image.Image:
    """Record light on film and print it: halation, fall-off to the corners, tone curve, grain.

    Parameters
    ----------
    light : (rows, cols) float32
        Linear, 1 about the brightest that still has tone.
    seed : int
        For the grain.
    exposure : float
        Factor on the light.
    black : float
        Light under which the print is black.
    contrast : float
        Exponent of the film.
    glow : float
        Share of the brightest light that strays.
    grain : float
        Depth of the grain in print tones.
    edge : float
        Share of the light that is lost in the corners.

    Returns
    -------
    PIL image
        Mode "L", sRGB codes.
    """
    height, width = light.shape
    light = light * exposure
    bright = np.maximum(light - 0.6, 0)
    stray = 0.6 * blur(bright, width / 160) + 0.4 * blur(bright, width / 28)
    x, y = grid(width, height)
    away = ((x / width - 0.5) ** 2 + (y / height - 0.5) ** 2) * 2
    light = np.maximum((light + glow * 10 * stray) * (1 - edge * away) - black, 0) ** contrast
    # A straight line in the shadows, a shoulder in the lights, so that bright fog keeps its modelling.
    tone = np.where(light < 0.5, light, 0.5 + 0.5 * (1 - np.exp(-(light - 0.5) / 0.5)))
    code = np.where(tone <= 0.0031308, 12.92 * tone, 1.055 * np.maximum(tone, 1e-6) ** (1 / 2.4) - 0.055)
    rng = np.random.default_rng(seed)
    clumps = blur(rng.standard_normal(code.shape).astype(np.float32), 0.7)
    code = code + grain * 2.5 * clumps * (0.25 + np.sqrt(np.clip(code * (1 - code), 0, 1)))
    # Steps of two codes, hidden by the grain, halve the size of the file.
    return Image.fromarray((np.rint(np.clip(code, 0, 1) * 127.5) * 2).clip(0, 255).astype(np.uint8), "L")
