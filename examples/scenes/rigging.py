"""Cranes and a ship, as bars and faces."""

from __future__ import annotations

import numpy as np

from scenes.view import Rig, Spot

QUAY = 2.2  # m, height of the quay over the water
BERTH, HEADING = (20.5, 0.0, 94.0), -2.35  # the barque's middle, and where she points, radians from +x to +z

CORNERS = ((-1, -1), (1, -1), (1, 1), (-1, 1))
YARDS = ((0.33, 9.0), (0.50, 8.0), (0.64, 6.8), (0.77, 5.2), (0.88, 3.8))  # share of the mast, half length, m
STATIONS = (  # along the hull from the middle, half breadth, height of the rail, m
    *((25, 0.15, 6.4), (23, 1.9, 6.0), (19, 3.6, 5.3), (12, 4.6, 4.7)),
    *((0, 4.9, 4.3), (-14, 4.6, 4.5), (-24, 3.4, 5.4), (-27, 2.4, 5.9)),
)


def crane(x: float, z: float, luff: float, swing: float, drop: float) -> Rig:
    """Build one travelling crane.

    `x`, `z` is the middle of its portal, `luff` the jib's angle over the horizontal, `swing` its direction
    from +x, `drop` how far the hook hangs below the jib's head, m.
    """
    portal = Rig((x, QUAY, z), 0.0)
    legs(portal)
    rig = Rig((x, QUAY + 7.9, z), swing)
    rig.box(-4.2, 0.6, 0.2, 3.0, 1.5)  # machine house
    rig.box(0.6, 2.0, 0.2, 2.9, 1.1)  # cab
    rig.box(-4.9, -3.6, -0.1, 1.8, 1.6)  # counterweight
    for hand in (-1.7, 1.7):
        rig.face((-4.5, 3.0, hand), (0.8, 3.0, hand), (0.8, 3.7), (-4.5, 3.7))
    jib(rig, luff, drop)
    rig.bars = portal.bars + rig.bars
    return rig


def legs(portal: Rig) -> None:
    """Put up the portal: legs on bogies, bracing, girders, a railing round the deck."""
    deck = 7.4
    for side in (-4.4, 4.4):
        for far in (-3.4, 3.4):
            portal.bar((side, 0, far), (0.72 * side, deck, 0.8 * far), 0.55)
            portal.bar((side, 0.5, far - 0.9), (side, 0.5, far + 0.9), 0.8)
        portal.bar((0.86 * side, 3.6, -3), (0.86 * side, 3.6, 3), 0.22)
        portal.bar((side, 0.6, -3.4), (0.8 * side, 5.2, 2.9), 0.16)
        portal.bar((side, 0.6, 3.4), (0.8 * side, 5.2, -2.9), 0.16)
    for far in (-2.8, 2.8):
        portal.bar((-3.3, deck, far), (3.3, deck, far), 0.8)
        for hand in (-1, 1):
            portal.bar((3.9 * hand, deck - 2.0, far), (1.7 * hand, deck - 0.2, far), 0.25)
        for rail in (0.9, 1.35):
            portal.bar((-3.6, deck + rail, 1.1 * far), (3.6, deck + rail, 1.1 * far), 0.06)
        for post in np.linspace(-3.6, 3.6, 9):
            portal.bar((post, deck, 1.1 * far), (post, deck + 1.35, 1.1 * far), 0.06)


def jib(rig: Rig, luff: float, drop: float) -> None:
    """Add the lattice jib with its stays, and what hangs from it."""
    heel = np.array([1.9, 0.7, 0.0])
    reach = 17.5 * np.array([np.cos(luff), np.sin(luff), 0.0])
    across = np.array([-np.sin(luff), np.cos(luff), 0.0])
    lattice(rig, heel, heel + reach, 0.62 * across, bays=15, thick=0.17)
    apex = (-1.6, 9.2)
    for half in (-1.1, 1.1):
        rig.bar((0.3, 2.8, half), apex, 0.24)
        rig.bar((-3.9, 2.8, half), apex, 0.20)
        for share in (0.62, 0.98):
            rig.bar(apex, tuple(heel + share * reach + 0.3 * across + (0, 0, 0.3 * half)), 0.06)
    rig.bar((-1.6, 8.85), (-1.6, 9.55), 0.5)
    head, up, _ = heel + reach
    rig.bar((head, up - 0.3), (head, up + 0.2), 0.75)
    hook, low = head + 0.45, up - drop
    rig.bar((head + 0.4, up), (hook + 0.06, low), 0.05)
    rig.bar((head + 0.55, up), (hook + 0.2, low), 0.05)
    rig.bar((hook + 0.1, low + 0.1), (hook + 0.1, low - 0.6), 0.42)
    for half in (-1.0, 1.0):
        for far in (-1.3, 1.3):
            rig.bar((hook, low - 0.7), (hook + far, low - 2.9, half), 0.05)
    rig.box(hook - 1.5, hook + 1.5, low - 4.3, low - 2.9, 1.1)


def lattice(rig: Rig, a: np.ndarray, b: np.ndarray, deep: np.ndarray, bays: int, thick: float) -> None:
    """Add a girder from a to b: four chords that taper to a third, with diagonals on every face."""
    side = np.array([0.0, 0.0, 0.75])
    share = np.linspace(0, 1, bays + 1)[:, None]
    corners = [a + (b - a) * share + (1 - 0.66 * share) * (p * side + q * deep) for p, q in CORNERS]
    for i in range(bays):
        for k in range(4):
            here, beside = corners[k], corners[(k + 1) % 4]
            rig.bar(tuple(here[i]), tuple(here[i + 1]), thick)
            rig.bar(tuple(here[i]), tuple(beside[i]), 0.55 * thick)
            ends = (here[i], beside[i + 1]) if i % 2 else (beside[i], here[i + 1])
            rig.bar(tuple(ends[0]), tuple(ends[1]), 0.55 * thick)


def barque() -> Rig:
    """Build a three-masted barque, her bow toward the viewer: hull, spars and ropes."""
    ship = Rig(BERTH, HEADING)
    for (a, wide_a, high_a), (b, wide_b, high_b) in zip(STATIONS, STATIONS[1:], strict=False):
        for hand in (-1, 1):
            keel_a, keel_b = (0.96 * a, 0, 0.85 * hand * wide_a), (0.96 * b, 0, 0.85 * hand * wide_b)
            ship.face((a, high_a, hand * wide_a), (b, high_b, hand * wide_b), keel_b, keel_a)
        ship.face((a, high_a, -wide_a), (a, high_a, wide_a), (b, high_b, wide_b), (b, high_b, -wide_b))
    ship.bar((23, 6.0), (36, 10.2), 0.5)
    masts = ((14, 31), (-1, 33), (-16, 26))
    for along, tall in masts:
        mast(ship, along, tall, square=tall > 30)
    for (along, tall), (before, before_tall) in zip(masts[1:], masts, strict=False):
        ship.bar((along, tall - 4), (before, before_tall - 14), 0.05)
        ship.bar((along, tall - 12), (along + 14, 7), 0.05)
    for share in (0.95, 0.72, 0.55):
        ship.bar((14, share * 31), (24 + 12 * share, 6 + 4 * share), 0.05)
    return ship


def mast(ship: Rig, along: float, tall: float, square: bool) -> None:
    """Step a mast: square-rigged with its yards, or fore and aft with boom and gaff; then its shrouds."""
    ship.bar((along, 0), (along, 0.62 * tall), 0.62)
    ship.bar((along, 0.55 * tall), (along, tall), 0.34)
    for level, half in YARDS if square else ():
        yard, place = level * tall, along - 0.5
        ship.bar((place, yard, -half), (place, yard, half), 0.27)
        ship.bar((place, yard + 0.2, -0.85 * half), (place, yard + 0.2, 0.85 * half), 0.42)  # furled sail
        for hand in (-1, 1):
            ship.bar((place, yard, hand * half), (along, min(level + 0.14, 0.98) * tall), 0.05)
            ship.bar((place, yard, hand * half), (along - 12, 5, 3 * hand), 0.04)
    for hand in (-4.6, 4.6):
        for lag in (-2.6, -1.7, -0.8, 0.1):
            ship.bar((along + lag, 4.6, hand), (along, 0.58 * tall), 0.06)
        ship.bar((along - 3.4, 4.6, hand), (along, 0.9 * tall), 0.05)
    if not square:
        ship.bar((along, 7), (along - 13, 9), 0.3)
        ship.bar((along, 17), (along - 9, 22), 0.24)


def hawse() -> Spot:
    """Find where the hawser leaves the barque's bow, at the water's height."""
    return Rig(BERTH, HEADING).at(24, 0)
