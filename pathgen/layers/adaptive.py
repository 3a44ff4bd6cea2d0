"""Adaptive layer heights: thin layers where the picture has detail along z, thick layers elsewhere.

A layer shows, over its whole height, the wall at its middle. Its error is the squared difference of lightness
between the picture and that wall, summed over the columns and the height of the layer. Uniform layers spend
their error where the picture is detailed and their time where it is not. Of all sequences of heights whose
error does not exceed that of uniform layers, the search finds the quickest.

A sequence is a path along z from the first layer to the top; each step is a layer of a whole number of motor
steps. For a given price λ on error, dynamic programming finds the best path exactly. λ is narrowed down,
several prices at a time, until the error just equals that of the uniform layers (Lagrange multiplier; H.
Everett, Operations Research 11, 399, 1963; from memory). If uniform layers are quicker, they are kept.

Glossary. *Unit*: the step of z of which all heights are multiples. *Station*: a height at which a layer may
begin, a whole number of units above the first layer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.layers.sections import Layers, cut_layers, interpolate_rows
from pathgen.layers.strokes import Floats
from pathgen.panel import Panel

UNIT = 0.02  # minimum difference between heights, mm; finer ones make no visible difference
THINNEST = 0.06  # minimum layer height, mm (common practice)
HEIGHTS = 12  # number of heights spread over the range
COLUMNS = 128  # columns per block
PRICES = 24  # prices per round
ROUNDS = 3  # rounds of narrowing down the price
BETWEEN_LAYERS = 0.3  # time per layer for lift, start and stop, s

Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Terms:
    """Parameters for choosing layer heights.

    Attributes
    ----------
    like : float
        Height of the uniform layers whose error is the limit, mm.
    first_layer : float
        Height of the first layer, mm.
    highest : float
        Maximum layer height, mm.
    motor_step : float
        Motor step of z, mm.
    spacing, feed, melt_rate : float
        Bead spacing, mm; feed, mm/s; melt rate of the hot end, mm³/s.
    """

    like: float
    first_layer: float
    highest: float
    motor_step: float
    spacing: float
    feed: float
    melt_rate: float


@dataclass(frozen=True, slots=True)
class ChosenLayers:
    """Chosen layers, compared with uniform layers.

    Attributes
    ----------
    layers : Layers
    time, even_time : float
        Estimated time of the walls with these layers and with uniform ones, s.
    error, even_error : float
        RMS error in lightness over the panel with these layers and with uniform ones.
    """

    layers: Layers
    time: float
    even_time: float
    error: float
    even_error: float

    def __str__(self) -> str:
        """Return heights, number of layers and gain as text."""
        heights = self.layers.height[1:]
        if self.time >= self.even_time:
            return f"uniform layers of {heights.max():.2f} mm; no other heights are quicker at the same error"
        return (
            f"{len(self.layers)} layers of {heights.min():.2f} to {heights.max():.2f} mm take "
            f"{100 * (1 - self.time / self.even_time):.0f} % less time than uniform layers; RMS error "
            f"{self.error:.2f} L*, with uniform layers {self.even_error:.2f} L*"
        )


def adapt_layers(panel: Panel, lightness: Floats, terms: Terms) -> ChosenLayers:
    """Cut a panel into layers whose heights follow the detail of its picture.

    Parameters
    ----------
    panel : Panel
    lightness : (rows, cols) float64
        Lightness L* of the pixels, row 0 at the top. The rim is ignored.
    terms : Terms

    Returns
    -------
    ChosenLayers
        Uniform layers if no other heights are quicker.

    Examples
    --------
    >>> from pathgen.panel import Panel
    >>> half = np.vstack([np.full((100, 40), 1.5), np.tile(1.5 + 0.5 * np.sin(np.arange(100)), (40, 1)).T])
    >>> terms = Terms(0.1, 0.2, 0.3, 0.0025, 0.42, 20.0, 10.0)
    >>> chosen = adapt_layers(Panel(half, 0.1), 60 - 20 * half, terms)
    >>> chosen.time < 0.9 * chosen.even_time, chosen.error <= chosen.even_error
    (True, True)
    """
    return AdaptiveHeights(panel, lightness, terms, [terms.like]).like(terms.like)


class AdaptiveHeights:
    """Search for the layer heights of one panel, reusable for several error limits.

    Parameters
    ----------
    panel, lightness, terms
        As in `adapt_layers`.
    likes : sequence of float
        Heights of the uniform layers that `like` will be called with, mm.
    """

    def __init__(self, panel: Panel, lightness: Floats, terms: Terms, likes: Sequence[float]) -> None:
        self._panel, self._terms, self._rows = panel, terms, PanelRows.of(panel, lightness)
        self._cells = max(1, int(np.count_nonzero(self._rows.counts))) * panel.pixel
        self._unit = terms.motor_step * max(1, round(UNIT / terms.motor_step))
        top = float(cut_layers(panel, terms.like, terms.first_layer).top[-1])
        stations = round((top - terms.first_layer) / self._unit)
        self._heights = _choices(self._unit, terms, likes)
        self._free = stations >= 2 * self._heights[-1] and len(self._heights) > 1
        if self._free:
            self._error = _errors(self._rows, terms.first_layer, self._unit, stations, self._heights)
            self._time = _times(panel, terms, self._unit, stations, self._heights)

    def rms(self, layers: Layers) -> float:
        """Return the RMS error in lightness caused by the layer heights, without the first layer."""
        middle, height = layers.top[1:] - layers.height[1:] / 2, layers.height[1:]
        error = 0.0
        for part in self._rows.parts():
            own = part.at(middle, part.shown)
            for share in (np.arange(8) + 0.5) / 8 - 0.5:
                z = middle + share * height
                off = part.at(z, part.wanted) - own
                error += float(np.einsum("zc,zc,zc,z->", off, off, part.counted(z), height)) / 8
        return float(np.sqrt(error / self._cells))

    def like(self, height: float) -> ChosenLayers:
        """Choose layers with at most the error of uniform layers of a given height, mm."""
        even = cut_layers(self._panel, height, self._terms.first_layer)
        middle, rms = even.top[1:] - even.height[1:] / 2, self.rms(even)
        even_time = float(_seconds(_area(self._panel, middle), even.height[1:], self._terms).sum())
        uniform = ChosenLayers(even, even_time, even_time, rms, rms)
        limit = rms**2 * self._cells
        path = _best_path(self._error, self._time, self._heights, limit) if self._free else None
        if path is None:
            return uniform
        begins, chosen = path
        time, error = (float(v[chosen, begins].sum()) for v in (self._time, self._error))
        if time >= even_time or error > limit * (1 + 1e-9):
            return uniform
        heights = np.concatenate([[self._terms.first_layer], self._heights[chosen] * self._unit])
        layers = Layers(self._panel, np.round(np.cumsum(heights), 9), heights)
        return ChosenLayers(layers, time, even_time, float(np.sqrt(error / self._cells)), rms)


def _choices(unit: float, terms: Terms, likes: Sequence[float]) -> Ints:
    """Return candidate heights in multiples of the unit, ascending; whole multiples in `likes` are added."""
    low, high = max(1, round(THINNEST / unit)), int(terms.highest / unit + 1e-9)
    spread = np.rint(np.geomspace(low, max(high, low), HEIGHTS)).astype(np.intp)
    own = [round(like / unit) for like in likes if abs(round(like / unit) * unit - like) < 1e-9]
    return np.unique([*spread.tolist(), *(each for each in own if low <= each <= high)])


@dataclass(frozen=True, slots=True)
class PanelRows:
    """Rows of a panel, from the bottom up, in all columns or in a block of columns.

    Attributes
    ----------
    wanted, shown : (rows, columns) float64
        Target lightness, with the edge of the picture extended into the rim; and lightness that a layer shows
        there.
    counts : (rows, columns) bool
        True inside the picture: the rim may be coarse, but its layers must not coarsen the picture.
    pixel : float
        mm.
    """

    wanted: Floats
    shown: Floats
    counts: NDArray[np.bool_]
    pixel: float

    @classmethod
    def of(cls, panel: Panel, lightness: Floats) -> PanelRows:
        """Create the rows of a panel from a lightness map with row 0 at the top."""
        edge = np.broadcast_to(panel.edge, lightness.shape)
        rows, last = np.arange(len(lightness))[:, None], len(lightness)
        below = np.maximum.accumulate(np.where(edge, -1, rows), axis=0)
        above = np.minimum.accumulate(np.where(edge, last, rows)[::-1], axis=0)[::-1]
        nearest = np.where((below >= 0) & ((rows - below <= above - rows) | (above == last)), below, above)
        filled = np.take_along_axis(lightness, np.minimum(nearest, last - 1), axis=0)
        return cls(filled[::-1], lightness[::-1], ~edge[::-1], panel.pixel)

    def parts(self) -> Iterator[PanelRows]:
        """Yield blocks of columns that fit into the processor's cache."""
        for left in range(0, self.wanted.shape[1], COLUMNS):
            here = (slice(None), slice(left, left + COLUMNS))
            yield PanelRows(self.wanted[here], self.shown[here], self.counts[here], self.pixel)

    def at(self, z: Floats, values: Floats) -> Floats:
        """Interpolate `values` linearly at heights z, (Z, C)."""
        return interpolate_rows(values, z, self.pixel)

    def counted(self, z: Floats) -> Floats:
        """Return a mask of the picture at heights z: 1 inside and 0 elsewhere, (Z, C)."""
        row = np.clip((z / self.pixel).astype(np.intp), 0, len(self.counts) - 1)
        return self.counts[row].astype(np.float64)


def _errors(rows: PanelRows, first: float, unit: float, stations: int, heights: Ints) -> Floats:
    """Compute the squared error of a layer for each height and start station, (H, stations).

    The unit is L*² · columns · mm; layers beyond the top get infinity.
    """
    # The picture is sampled at the middles of half units, so the middle of a layer lies between two samples.
    z = first + (np.arange(2 * stations) + 0.5) * unit / 2
    total = np.where(np.arange(stations) > stations - heights[:, None], np.inf, 0.0)
    for part in rows.parts():
        wanted, weight = part.at(z, part.wanted), part.counted(z)
        shown = part.at(first + np.arange(2 * stations + 1) * unit / 2, part.shown)
        weights, sums = (
            np.concatenate([np.zeros((1, wanted.shape[1])), np.cumsum(values, axis=0)])
            for values in (weight, weight * wanted)
        )
        squares = np.concatenate([[0.0], np.cumsum(np.einsum("zc,zc,zc->z", weight, wanted, wanted))])
        for row, height in enumerate(heights.tolist()):
            begins = 2 * np.arange(stations - height + 1)
            ends, own = begins + 2 * height, shown[begins + height]
            cross = np.einsum("zc,zc->z", own, sums[ends] - sums[begins])
            square = np.einsum("zc,zc,zc->z", own, own, weights[ends] - weights[begins])
            total[row, : len(begins)] += squares[ends] - squares[begins] - 2 * cross + square
    return np.maximum(total * (unit / 2), 0.0)


def _seconds(area: Floats, height: NDArray[np.floating], terms: Terms) -> Floats:
    """Return the printing time of layers from their section areas, mm²; the melt rate limits the feed."""
    feed = np.minimum(terms.feed, terms.melt_rate / (terms.spacing * height))
    return np.asarray(area / (terms.spacing * feed) + BETWEEN_LAYERS)


def _times(panel: Panel, terms: Terms, unit: float, stations: int, heights: Ints) -> Floats:
    """Return the printing time of a layer for each height and start station, s, (H, stations)."""
    middle = terms.first_layer + (np.arange(stations) + heights[:, None] / 2) * unit
    return _seconds(_area(panel, middle), heights[:, None] * unit, terms)


def _area(panel: Panel, z: Floats) -> Floats:
    rows = panel.thickness[::-1].sum(axis=1) * panel.pixel
    return np.asarray(np.interp(z, (np.arange(len(rows)) + 0.5) * panel.pixel, rows))


def _best_path(error: Floats, time: Floats, heights: Ints, limit: float) -> tuple[Ints, Ints] | None:
    """Return stations and heights of the fastest path with an error up to `limit`, or None."""
    low, high = 1e-6, 1e6  # s per unit of error
    best = None
    for _ in range(ROUNDS):
        prices = np.geomspace(low, high, PRICES)
        last = _last_heights(error, time, heights, prices)
        paths = [_trace(last[:, number], heights) for number in range(PRICES)]
        errors = np.array([error[chosen, begins].sum() for begins, chosen in paths])
        good = np.flatnonzero(errors <= limit)
        if not len(good):
            return best
        first = int(good[0])  # the lowest sufficient price has the quickest path
        best = paths[first]
        low, high = prices[max(first - 1, 0)], prices[first]
    return best


def _last_heights(error: Floats, time: Floats, heights: Ints, prices: Floats) -> NDArray[np.int8]:
    """Return the index of the last height on the best path to each station, (stations + 1, prices)."""
    stations = error.shape[1]
    cost = np.full((stations + 1, len(prices)), np.inf)
    last = np.zeros((stations + 1, len(prices)), np.int8)
    cost[0] = 0.0
    steps = heights.tolist()
    # A layer that ends at a station begins its own height below it.
    for end in range(steps[0], stations + 1):
        usable = [row for row, step in enumerate(steps) if step <= end]
        begins = end - heights[usable]
        ways = cost[begins] + time[usable, begins][:, None] + error[usable, begins][:, None] * prices
        last[end] = np.argmin(ways, axis=0)
        cost[end] = ways.min(axis=0)
    return last


def _trace(last: NDArray[np.int8], heights: Ints) -> tuple[Ints, Ints]:
    """Follow a path from the top down; return its stations and height indices, from the bottom up."""
    rows: list[int] = []
    at = len(last) - 1
    while at > 0:
        rows.append(int(last[at]))
        at -= int(heights[rows[-1]])
    chosen = np.array(rows[::-1], np.intp)
    return at + np.cumsum(heights[chosen]) - heights[chosen], chosen
