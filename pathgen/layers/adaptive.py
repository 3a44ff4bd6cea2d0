"""Layers as high as the picture allows: thin where it has detail along z, thick where it has none.

A layer shows, over its whole height, the wall of its middle. What that costs is how far the picture departs
from it there: the squared difference of lightness, summed over the columns and the layer's height. Even
layers spend their error where the picture is busy and their time where it is not; of all sequences of heights
whose error is no larger than theirs, the quickest is looked for.

A sequence is a path along z from the first layer to the top, each step a layer of a whole number of motor
steps. With a price λ on error its best path is found exactly by dynamic programming; λ is narrowed down, some
prices at once, until the error is just that of the even layers (Lagrange's multiplier; H. Everett, Operations
Research 11, 399, 1963; from memory). If the even layers are quicker still, they are kept.

Glossary. *Unit*: the step of z that all heights are multiples of. *Station*: a height that a layer may begin
at, a whole number of units over the first layer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.layers.sections import Layers, cut_layers
from pathgen.layers.strokes import Floats
from pathgen.panel import Panel

UNIT = 0.02  # mm, at least; finer heights would hardly be told apart
THINNEST = 0.06  # mm; thinner layers are more trouble than they are worth (common practice)
HEIGHTS = 12  # heights to choose from, at most
COLUMNS = 128  # at once
PRICES = 24  # tried at once
ROUNDS = 3  # of narrowing down
BETWEEN_LAYERS = 0.3  # s that a layer takes whatever is in it: the lift, a start, a stop

Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Terms:
    """What the heights are chosen by.

    Attributes
    ----------
    like : float
        Height of the even layers whose error is the measure, mm.
    first_layer : float
        mm.
    highest : float
        Of a layer, mm.
    motor_step : float
        mm of z.
    spacing, feed, melt_rate : float
        Of a bead, mm and mm/s; and of the hot end, mm³/s.
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
    """Layers, and what they gain.

    Attributes
    ----------
    layers : Layers
    time, even_time : float
        Estimated time of the walls, s, and that of even layers.
    error, even_error : float
        Lightness RMS over the panel that the layers' height costs, and that of even layers.
    """

    layers: Layers
    time: float
    even_time: float
    error: float
    even_error: float

    def __str__(self) -> str:
        """Say what was gained."""
        heights = self.layers.height[1:]
        if self.time >= self.even_time:
            return f"even layers of {heights.max():.2f} mm: no other heights are as true and quicker"
        return (
            f"layers of {heights.min():.2f} to {heights.max():.2f} mm: {len(self.layers)} of them, "
            f"{100 * (1 - self.time / self.even_time):.0f} % less time than even ones at "
            f"{self.error:.2f} L* RMS against {self.even_error:.2f}"
        )


def adaptive(panel: Panel, seen: Floats, terms: Terms) -> ChosenLayers:
    """Cut a panel into layers of the heights its picture needs.

    Parameters
    ----------
    panel : Panel
    seen : (rows, cols) float64
        Lightness L* of the panel's pixels, row 0 at the top. What lies in the rim does not count.
    terms : Terms

    Returns
    -------
    Chosen
        Even layers where nothing else is quicker.

    Examples
    --------
    >>> from pathgen.panel import Panel
    >>> half = np.vstack([np.full((100, 40), 1.5), np.tile(1.5 + 0.5 * np.sin(np.arange(100)), (40, 1)).T])
    >>> terms = Terms(0.1, 0.2, 0.3, 0.0025, 0.42, 20.0, 10.0)
    >>> chosen = adaptive(Panel(half, 0.1), 60 - 20 * half, terms)
    >>> chosen.time < 0.9 * chosen.even_time, chosen.error <= chosen.even_error
    (True, True)
    """
    return AdaptiveHeights(panel, seen, terms, [terms.like]).like(terms.like)


class AdaptiveHeights:
    """A panel's choice of layer heights, prepared for several measures of error.

    Parameters
    ----------
    panel, seen, terms
        As `adaptive` takes them.
    likes : sequence of float
        Heights of the even layers that may be asked for, mm.
    """

    def __init__(self, panel: Panel, seen: Floats, terms: Terms, likes: Sequence[float]) -> None:
        self._panel, self._terms, self._rows = panel, terms, PanelRows.of(panel, seen)
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
        """Give the lightness RMS that the height of layers costs."""
        return float(np.sqrt(_squares(layers, self._rows) / self._cells))

    def like(self, height: float) -> ChosenLayers:
        """Choose layers whose error is no larger than that of even ones of a height, mm."""
        even = cut_layers(self._panel, height, self._terms.first_layer)
        usual, rms = _even_time(even, self._terms), self.rms(even)
        kept = ChosenLayers(even, usual, usual, rms, rms)
        if not self._free:
            return kept
        most = rms**2 * self._cells
        path = _best_path(self._error, self._time, self._heights, most)
        if path is None:
            return kept
        begins, chosen = path
        time, error = (float(v[chosen, begins].sum()) for v in (self._time, self._error))
        if time >= usual or error > most * (1 + 1e-9):
            return kept
        high = np.concatenate([[self._terms.first_layer], self._heights[chosen] * self._unit])
        layers = Layers(self._panel, np.round(np.cumsum(high), 9), high)
        return ChosenLayers(layers, time, usual, float(np.sqrt(error / self._cells)), rms)


def _choices(unit: float, terms: Terms, likes: Sequence[float]) -> Ints:
    """Heights to choose from, in units, rising; those of the even layers among them if they are whole."""
    low, high = max(1, round(THINNEST / unit)), int(terms.highest / unit + 1e-9)
    spread = np.rint(np.geomspace(low, max(high, low), HEIGHTS)).astype(np.intp)
    own = [round(like / unit) for like in likes if abs(round(like / unit) * unit - like) < 1e-9]
    return np.unique([*spread.tolist(), *(each for each in own if low <= each <= high)])


@dataclass(frozen=True, slots=True)
class PanelRows:
    """A panel's rows, bottom first, some columns of them.

    Attributes
    ----------
    wanted, shown : (rows, columns) float64
        Lightness that is wanted, the picture's edge carried on into the rim, and what a layer there shows.
    counts : (rows, columns) bool
        The picture: the rim may be as coarse as it likes, but must not reach into it.
    pixel : float
        mm.
    """

    wanted: Floats
    shown: Floats
    counts: NDArray[np.bool_]
    pixel: float

    @classmethod
    def of(cls, panel: Panel, seen: Floats) -> PanelRows:
        """Take them from a map, row 0 at the top."""
        edge = np.broadcast_to(panel.edge, seen.shape)
        rows, last = np.arange(len(seen))[:, None], len(seen)
        below = np.maximum.accumulate(np.where(edge, -1, rows), axis=0)
        above = np.minimum.accumulate(np.where(edge, last, rows)[::-1], axis=0)[::-1]
        nearest = np.where((below >= 0) & ((rows - below <= above - rows) | (above == last)), below, above)
        filled = np.take_along_axis(seen, np.minimum(nearest, last - 1), axis=0)
        return cls(filled[::-1], seen[::-1], ~edge[::-1], panel.pixel)

    def parts(self) -> Iterator[PanelRows]:
        """Cut them into columns that stay in the processor's cache."""
        for left in range(0, self.wanted.shape[1], COLUMNS):
            here = (slice(None), slice(left, left + COLUMNS))
            yield PanelRows(self.wanted[here], self.shown[here], self.counts[here], self.pixel)

    def at(self, z: Floats, what: Floats) -> Floats:
        """Give `what` at heights z, (Z, C): the rows, and between their middles a line."""
        place = np.clip(z / self.pixel - 0.5, 0, len(what) - 1)
        below = np.minimum(place.astype(np.intp), max(len(what) - 2, 0))
        share = (place - below)[:, None]
        return np.asarray(what[below] * (1 - share) + what[np.minimum(below + 1, len(what) - 1)] * share)

    def counted(self, z: Floats) -> Floats:
        """Tell which places at heights z count, (Z, C), 0 or 1."""
        row = np.clip((z / self.pixel).astype(np.intp), 0, len(self.counts) - 1)
        return self.counts[row].astype(np.float64)


def _errors(rows: PanelRows, first: float, unit: float, stations: int, heights: Ints) -> Floats:
    """Squared departure of a layer of each height from each station, (H, stations); infinite beyond the top.

    Units are L*² · columns · mm.
    """
    # The picture at the middles of half units: then every layer's middle is a border between two of them.
    z = first + (np.arange(2 * stations) + 0.5) * unit / 2
    total = np.zeros((len(heights), stations))
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
    total *= unit / 2
    for row, height in enumerate(heights.tolist()):
        total[row, stations - height + 1 :] = np.inf
    return np.maximum(total, 0.0)


def _seconds(area: Floats, height: NDArray[np.floating], terms: Terms) -> Floats:
    """Time of layers with sections of these areas, mm², at the feed that the hot end can melt for."""
    feed = np.minimum(terms.feed, terms.melt_rate / (terms.spacing * height))
    return np.asarray(area / (terms.spacing * feed) + BETWEEN_LAYERS)


def _times(panel: Panel, terms: Terms, unit: float, stations: int, heights: Ints) -> Floats:
    """Time of a layer of each height from each station, s, (H, stations)."""
    rows = panel.thickness[::-1].sum(axis=1) * panel.pixel
    begins = np.arange(stations)
    middle = terms.first_layer + (begins + heights[:, None] / 2) * unit
    area = np.interp(middle, (np.arange(len(rows)) + 0.5) * panel.pixel, rows)
    return _seconds(area, heights[:, None] * unit, terms)


def _even_time(layers: Layers, terms: Terms) -> float:
    """Time of layers that are given, s, the first left out: it is the same for all."""
    panel, height = layers.panel, layers.height[1:]
    sections = panel.thickness[::-1].sum(axis=1) * panel.pixel
    middle = layers.top[1:] - height / 2
    area = np.interp(middle, (np.arange(len(sections)) + 0.5) * panel.pixel, sections)
    return float(_seconds(area, height, terms).sum())


def _squares(layers: Layers, rows: PanelRows) -> float:
    """Squared departure of layers that are given, the first left out."""
    middle, height = layers.top[1:] - layers.height[1:] / 2, layers.height[1:]
    inside = (np.arange(8) + 0.5) / 8 - 0.5
    error = 0.0
    for part in rows.parts():
        own = part.at(middle, part.shown)
        for share in inside:
            z = middle + share * height
            off = part.at(z, part.wanted) - own
            error += float(np.einsum("zc,zc,zc,z->", off, off, part.counted(z), height)) / 8
    return error


def _best_path(error: Floats, time: Floats, heights: Ints, most: float) -> tuple[Ints, Ints] | None:
    """Find the quickest path whose error is at most `most`: where layers begin, and each one's height."""
    low, high = 1e-6, 1e6  # s for each unit of error
    best = None
    for _ in range(ROUNDS):
        prices = np.geomspace(low, high, PRICES)
        come = _come_from(error, time, heights, prices)
        paths = [_walk(come[:, number], heights) for number in range(PRICES)]
        errors = np.array([error[chosen, begins].sum() for begins, chosen in paths])
        good = np.flatnonzero(errors <= most)
        if not len(good):
            return best
        first = int(good[0])  # the lowest price whose path is good enough, and so the quickest
        best = paths[first]
        low, high = prices[max(first - 1, 0)], prices[first]
    return best


def _come_from(error: Floats, time: Floats, heights: Ints, prices: Floats) -> NDArray[np.int8]:
    """Tell for every station and price which height the best path to it ends with, (stations + 1, prices)."""
    stations = error.shape[1]
    cost = np.full((stations + 1, len(prices)), np.inf)
    come = np.zeros((stations + 1, len(prices)), np.int8)
    cost[0] = 0.0
    steps = heights.tolist()
    # Layers that end at a station, by their height: row h of `error` begins h units before it.
    for end in range(steps[0], stations + 1):
        usable = [row for row, step in enumerate(steps) if step <= end]
        begins = end - heights[usable]
        ways = cost[begins] + time[usable, begins][:, None] + error[usable, begins][:, None] * prices
        come[end] = np.argmin(ways, axis=0)
        cost[end] = ways.min(axis=0)
    return come


def _walk(come: NDArray[np.int8], heights: Ints) -> tuple[Ints, Ints]:
    """Walk back from the top: stations where layers begin, and the row of each one's height, bottom first."""
    begins, rows = [], []
    at = len(come) - 1
    while at > 0:
        row = int(come[at])
        at -= int(heights[row])
        begins.append(at)
        rows.append(row)
    return np.array(begins[::-1], np.intp), np.array(rows[::-1], np.intp)
