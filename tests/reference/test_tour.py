"""Ways and tours against general methods: shortest paths by networkx, exact tours by dynamic programming."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
import shapely
from shapely import affinity

from pathgen.route.around import Obstacles
from pathgen.route.tour import order_layer, rank_pairs, straight_distances

OFF = 1e-4  # mm that the reference's corners lie outside the walls


def bent(degrees, thick=3.0, width=70.0):
    radius = width / np.radians(degrees)
    angle = np.radians(degrees) * np.linspace(-0.5, 0.5, 15)
    out = np.stack([np.sin(angle), np.cos(angle)], axis=1)
    shape = shapely.Polygon(np.concatenate([out * (radius + thick), out[::-1] * radius]))
    return affinity.translate(shape, 0, -radius)


PLATFORMS = {
    "three straight": [affinity.translate(shapely.box(-40, 0, 40, 3), 4 * k, 25 * k) for k in range(3)],
    "slanting": [
        affinity.translate(affinity.rotate(shapely.box(-35, 0, 35, 3), 20 * k), 0, 40 * k) for k in range(3)
    ],
    "bent": [bent(120), affinity.translate(bent(-90), 0, 35)],
    "bent and straight": [bent(170), affinity.translate(shapely.box(-30, 0, 30, 4), 0, 20)],
}


def shortest(walls, points):
    """Lengths by Dijkstra's algorithm over all corners that see each other, judged by shapely alone.

    Shortest ways among polygons bend only at their corners (Lozano-Pérez and Wesley, Communications of the
    ACM 22, 560, 1979; from memory).
    """
    corners = [shapely.get_coordinates(wall.buffer(OFF, join_style="mitre"))[:-1] for wall in walls]
    nodes = np.concatenate([points, *corners])
    i, j = np.triu_indices(len(nodes), 1)
    lines = shapely.linestrings(np.stack([nodes[i], nodes[j]], axis=1))
    clear = shapely.length(shapely.intersection(lines, shapely.union_all(walls))) == 0
    graph = nx.Graph()
    graph.add_nodes_from(range(len(nodes)))
    graph.add_weighted_edges_from(
        zip(i[clear].tolist(), j[clear].tolist(), shapely.length(lines[clear]).tolist(), strict=True)
    )
    found = [nx.single_source_dijkstra_path_length(graph, k) for k in range(len(points))]
    return np.array([[row[k] for k in range(len(points))] for row in found])


@pytest.mark.parametrize("name", sorted(PLATFORMS))
def test_ways_are_as_short_as_networkx_finds_them(name):
    walls = PLATFORMS[name]
    low, high = np.reshape(shapely.union_all(walls).bounds, (2, 2))
    points = np.random.default_rng(9).uniform(low - 15, high + 15, (30, 2))
    points = points[shapely.distance(shapely.union_all(walls), shapely.points(points)) > 0.1]
    exact = shortest(walls, points)
    found = Obstacles(walls).distances(points, points)
    straight_on = np.hypot(*np.moveaxis(points[:, None] - points, -1, 0))
    assert (exact > straight_on + 1.0).mean() > 0.1  # enough of them lead round something
    # Ours bend off the wall, 0.05 mm from both sides of a straight one's corner and up to 0.3 mm from a bent
    # one's face: by an angle (rad) round it, a way is longer by that times the angle. A full turn is enough.
    most = 2 * np.pi * (0.3 if "bent" in name else np.hypot(0.05, 0.05))
    assert (found >= exact - OFF).all()
    assert (found <= exact + most).all()


def exact_tour(gap, pairs, fixed):
    """Least travel of all tours: dynamic programming over the strokes that are laid, and the last one.

    Held and Karp, Journal of SIAM 10, 196 (1962), from memory; here with directions and with pairs.
    """
    count = len(fixed)
    needs = [sum(1 << i for i, j in pairs if j == stroke) for stroke in range(count)]
    least = np.full((1 << count, 2 * count), np.inf)  # laid; the end that was left by, 2 · stroke + end
    for stroke in range(count):
        if not needs[stroke]:
            least[1 << stroke, 2 * stroke + 1] = gap[0, 1 + 2 * stroke]
            if not fixed[stroke]:
                least[1 << stroke, 2 * stroke] = gap[0, 2 + 2 * stroke]
    for laid in range(1, 1 << count):
        for stroke in range(count):
            if laid >> stroke & 1 or needs[stroke] & ~laid:
                continue
            more = laid | 1 << stroke
            forward = (least[laid] + gap[1:, 1 + 2 * stroke]).min()
            least[more, 2 * stroke + 1] = min(least[more, 2 * stroke + 1], forward)
            if not fixed[stroke]:
                back = (least[laid] + gap[1:, 2 + 2 * stroke]).min()
                least[more, 2 * stroke] = min(least[more, 2 * stroke], back)
    return float(least[-1].min())


@pytest.mark.parametrize("tabs", [False, True])
@pytest.mark.parametrize("seed", range(3))
def test_a_layer_of_two_panels_is_no_longer_than_the_exact_tour(seed, tabs):
    # Two walls of a stroke each with four wedges' strips: what a layer of a job really is.
    rng = np.random.default_rng(seed)
    ends, panel, rank = [], [], []
    walls, middles = [], []
    for row in range(2):
        n = 40.0 * row
        walls.append(shapely.box(0, n, 90, n + 3))
        middles.append(np.array([[0.0, n + 1.5], [90.0, n + 1.5]]))
        ends.append([[0.2, n + 1.5], [89.8, n + 1.5]])
        panel.append(row), rank.append(0)
        for u in (2.5, 87.5):
            for face, side in ((n, -1), (n + 3, 1)):
                reach = 0.0 if tabs else 0.3
                ends.append([[u - 1, face + side * reach], [u + 1, face + side * rng.uniform(3, 12)]])
                panel.append(row), rank.append(1)
    ends, fixed = np.array(ends), np.array(rank, bool) & tabs
    pairs = rank_pairs(panel, rank) if tabs else []
    at = rng.uniform(-10, 100, 2)
    points = np.concatenate([at[None], ends.reshape(-1, 2)])
    gap = Obstacles(walls, middles).distances(points, points)
    found = order_layer(ends, pairs, at, gap, fixed=fixed)
    least = exact_tour(gap, pairs, fixed)
    assert found.length == pytest.approx(least)


@pytest.mark.parametrize("seed", range(3))
def test_ten_strokes_anywhere_are_near_the_exact_tour(seed):
    rng = np.random.default_rng(seed)
    ends, fixed = rng.uniform(0, 100, (10, 2, 2)), rng.random(10) < 0.2
    pairs = [(0, 3), (3, 7), (2, 9)]
    points = np.concatenate([[[0.0, 0.0]], ends.reshape(-1, 2)])
    least = exact_tour(straight_distances(points, points), pairs, fixed)
    found = order_layer(ends, pairs, (0.0, 0.0), fixed=fixed)
    assert least - 1e-6 <= found.length <= 1.05 * least
