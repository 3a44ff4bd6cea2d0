"""Travel over six panels' layers against the best of many random restarts. Prints tables; asserts nothing.

    python tests/bench/travel.py [--layers N] [--restarts N]

Six walls of one or two strokes, each with four wedges' strips, with and without tabs that have to come after
their wall and begin at its rim. The reference, written without anything of the package but the lengths of the
ways, takes random orders that keep to the pairs and turns runs of them round as long as that helps (2-opt;
Croes, Operations Research 6, 791, 1958, from memory), a tab keeping its direction; each layer it starts where
its own best order of the last one ended. To hold: no more than 1.10 times its travel.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import shapely

from pathgen.route.around import Obstacles
from pathgen.route.tour import order_layer, rank_pairs

WIDTH, DEEP, ROW = 100.0, 3.6, 42.0  # mm: a wall's length and thickness, and from wall to wall
GAP = 0.3  # mm between wedge and rim
PANELS = 6
HOLD = 1.10


def layer_of(number, walls, tabs, panels=PANELS, wedges=True):
    """Ends, panel, rank and fixed flag of one layer's strokes; the picture moves the walls' ends a little."""
    rng = np.random.default_rng(number)
    ends, panel, rank, fixed = [], [], [], []
    base = 12.0 - 0.02 * number
    for row in range(panels):
        n = ROW * row
        for bead in range(walls):
            across = n + DEEP * (bead + 0.5) / walls + rng.uniform(-0.15, 0.15, 2)
            line = [[0.2, across[0]], [WIDTH - 0.2, across[1]]]
            ends.append(line if rng.random() < 0.5 else line[::-1])
            panel.append(row), rank.append(0), fixed.append(False)
        for u in (2.5, WIDTH - 2.5) if wedges else ():
            for face, side in ((n, -1), (n + DEEP, 1)):
                first = 0.0 if tabs else GAP
                ends.append([[u - 1, face + side * first], [u + 1, face + side * (GAP + base)]])
                panel.append(row), rank.append(1), fixed.append(tabs)
    return np.array(ends), panel, rank, np.array(fixed, bool)


def obstacles(panels=PANELS):
    """The walls, each with its middle."""
    rows = ROW * np.arange(panels)
    middles = [np.array([[0.0, n + DEEP / 2], [WIDTH, n + DEEP / 2]]) for n in rows]
    return Obstacles([shapely.box(0, n, WIDTH, n + DEEP) for n in rows], middles)


def lengths(gap, order, turned):
    """Travel of many orders at once; `gap` is between the head's place and the strokes' ends."""
    begin, end = 1 + 2 * order + turned, 2 + 2 * order - turned
    return gap[0, begin[:, 0]] + gap[end[:, :-1], begin[:, 1:]].sum(axis=1)


def reference(gap, pairs, fixed, restarts, rng):
    """Best of many random orders made better by 2-opt; order, turned, travel."""
    count = len(fixed)
    key = rng.random((restarts, count))
    for i, j in pairs:
        key[:, j] = np.maximum(key[:, j], key[:, i] + 1e-9)
    order = np.argsort(key, axis=1)
    turned = (rng.random(order.shape) < 0.5) & ~fixed[order]
    least = lengths(gap, order, turned)
    first, then = np.array(pairs, int).reshape(-1, 2).T
    better = np.ones(restarts, bool)
    while better.any():
        better[:] = False
        for a in range(count):
            for b in range(a, count):
                run = slice(a, b + 1)
                new, flips = order.copy(), turned.copy()
                new[:, run] = order[:, run][:, ::-1]
                flips[:, run] = (turned[:, run] ^ ~fixed[order[:, run]])[:, ::-1]
                total = lengths(gap, new, flips)
                gains = np.flatnonzero(total < least - 1e-9)
                if not len(gains):
                    continue
                place = np.argsort(new[gains], axis=1)
                gains = gains[(place[:, first] < place[:, then]).all(axis=1)]
                order[gains], turned[gains], least[gains] = new[gains], flips[gains], total[gains]
                better[gains] = True
    best = int(least.argmin())
    return order[best], turned[best], float(least[best])


def compare(walls, tabs, layers, restarts):
    """Travel of ours and of the reference over some layers, mm, and our time a layer, ms."""
    around = obstacles()
    rng = np.random.default_rng(1)
    ours = theirs = 0.0
    here = there = np.array([-10.0, -10.0])
    hint, times = None, []
    for number in range(layers):
        ends, panel, rank, fixed = layer_of(number, walls, tabs)
        pairs = rank_pairs(panel, rank) if tabs else []
        start = time.perf_counter()
        hint = order_layer(ends, pairs, here, around.distances, hint, fixed)
        times.append(time.perf_counter() - start)
        ours += hint.length
        here = ends[hint.sequence[-1], 1 - int(hint.turned[-1])]
        points = np.concatenate([there[None], ends.reshape(-1, 2)])
        order, turned, least = reference(around.distances(points, points), pairs, fixed, restarts, rng)
        theirs += least
        there = ends[order[-1], 1 - int(turned[-1])]
    return ours, theirs, 1e3 * float(np.mean(times))


def best(function, runs=30):
    """Least time of some runs, ms."""
    found = []
    for _ in range(runs):
        start = time.perf_counter()
        function()
        found.append(time.perf_counter() - start)
    return 1e3 * min(found)


def times():
    """Rows of least times for layers of several sizes: without a hint, with a good one, the ways alone."""
    for panels, walls, wedges in ((2, 2, False), (2, 2, True), (6, 2, True)):
        around = obstacles(panels)
        for tabs in (False, True)[: 1 + wedges]:
            ends, panel, rank, fixed = layer_of(0, walls, tabs, panels, wedges)
            pairs = rank_pairs(panel, rank) if tabs else []
            at = np.array([-10.0, -10.0])
            points = np.concatenate([at[None], ends.reshape(-1, 2)])
            gaps = around.distances(points, points)
            tour = order_layer(ends, pairs, at, gaps, None, fixed)
            new = best(lambda e=ends, p=pairs, g=gaps, f=fixed, at=at: order_layer(e, p, at, g, None, f))
            known = best(
                lambda e=ends, p=pairs, g=gaps, f=fixed, t=tour, at=at: order_layer(e, p, at, g, t, f)
            )
            ways = best(lambda around=around, points=points: around.distances(points, points))
            yield len(ends), tabs, new, known, ways


def main():
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--layers", type=int, default=20)
    options.add_argument("--restarts", type=int, default=200)
    chosen = options.parse_args()
    print(f"{'strokes':<9}{'tabs':<6}{'order new':>12}{'with hint':>12}{'distances':>12}   ms, least of 30")
    for count, tabs, new, known, ways in times():
        print(f"{count:<9}{'yes' if tabs else 'no':<6}{new:>12.3f}{known:>12.3f}{ways:>12.3f}")
    print()
    print(f"{'walls of':<11}{'tabs':<6}{'ours mm':>12}{'restarts mm':>13}{'ratio':>8}   to hold {HOLD:.2f}")
    for walls in (1, 2):
        for tabs in (False, True):
            ours, theirs, took = compare(walls, tabs, chosen.layers, chosen.restarts)
            row = f"{walls} stroke{'s' * (walls > 1)}"
            print(
                f"{row:<11}{'yes' if tabs else 'no':<6}{ours:>12.0f}{theirs:>13.0f}{ours / theirs:>8.3f}"
                f"   {took:.1f} ms a layer, ways and order"
            )


if __name__ == "__main__":
    main()
