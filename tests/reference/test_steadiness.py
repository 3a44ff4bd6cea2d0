"""Steadiness against handbook beams, an image library's moments, and beam finite elements."""

import numpy as np
import pytest
from skimage import measure

from pathgen.panel.steadiness import Conditions, compute_steadiness, measure_sections

# Modulus GPa, density kg/m³, thickness mm, height mm: first frequency, Hz.
FREQUENCIES = [
    # S. S. Rao, Mechanical Vibrations, §8.5, through a solver's verification page: steel, 0.05 m square, 1 m.
    (200.0, 7850.0, 50.0, 1000.0, 40.77),
    # The same formula, (βL)²/(2πL²)·√(EI/ρA) with βL = 1.8751040687, worked for plates.
    (3.5, 1240.0, 3.0, 100.0, 81.419),
    (3.5, 1240.0, 0.8, 100.0, 21.712),
    (3.5, 1240.0, 2.0, 150.0, 24.124),
    (2.1, 1270.0, 3.0, 100.0, 62.317),
]


def plate(thickness, height, rows=100, columns=10):
    return measure_sections(np.full((rows, columns), thickness), height / rows)


@pytest.mark.parametrize(("modulus", "density", "thickness", "height", "hertz"), FREQUENCIES)
def test_first_frequency(modulus, density, thickness, height, hertz):
    found = compute_steadiness(plate(thickness, height), Conditions(modulus, density)).frequency[-1]
    assert found == pytest.approx(hertz, rel=1e-4)


@pytest.mark.parametrize(("modulus", "density", "thickness", "height", "hertz"), FREQUENCIES)
def test_sway_of_the_tip(modulus, density, thickness, height, hertz):
    """PL³/3EI under a force at the tip, qL⁴/8EI under an even load (any handbook of beams)."""
    wall = plate(thickness, height)
    breadth = height / 10
    stiffness = modulus * 1e3 * breadth * thickness**3 / 12  # N·mm²
    load = density * 1e-12 * breadth * thickness * 700.0  # N/mm at 700 mm/s²
    pushed = compute_steadiness(wall, Conditions(modulus, density, acceleration=0.0, drag=0.2))
    shaken = compute_steadiness(wall, Conditions(modulus, density, acceleration=700.0, drag=0.0))
    heights = wall.top
    assert pushed.sway == pytest.approx(0.2 * heights**3 / (3 * stiffness), rel=1e-9)
    assert shaken.sway == pytest.approx(load * heights**4 / (8 * stiffness), rel=1e-9)


def test_area_and_second_moment_of_a_section():
    """Against scikit-image: central moments of the section drawn in pixels of 0.01 mm."""
    rng = np.random.default_rng(4)
    hundredths = rng.integers(80, 400, 60)
    wall = measure_sections(np.tile(hundredths / 100, (3, 1)), 0.01)
    drawn = np.arange(400)[:, None] < hundredths
    moments = measure.moments_central(drawn.astype(float), order=2)
    # A pixel's own second moment, 1/12 of the fourth power of its side, is not in those of its centre.
    second = (moments[2, 0] + drawn.sum() / 12) * 0.01**4
    assert wall.area == pytest.approx(np.full(3, moments[0, 0] * 0.01**2))
    assert wall.inertia == pytest.approx(np.full(3, second))


# Euler–Bernoulli beam element with cubic Hermite shape functions, from memory; textbooks of finite elements
# have it. Stiffness over EI/l³, consistent mass over m·l/420, even load over q·l; deflection and
# slope at either end, length 1.
STIFFNESS = np.array([[12, 6, -12, 6], [6, 4, -6, 2], [-12, -6, 12, -6], [6, 2, -6, 4]], float)
MASS = np.array([[156, 22, 54, -13], [22, 4, 13, -3], [54, 13, 156, -22], [-13, -3, -22, 4]], float)
LOAD = np.array([1 / 2, 1 / 12, 1 / 2, -1 / 12])


def finite_elements(runs, modulus, density, split=8):
    """Tip deflection under 1 mm/s² and under 1 N, and first frequency.

    `runs` are (height, thickness), one mm wide, from the foot up, each cut into `split` elements.
    """
    elements = [(height / split, thickness) for height, thickness in runs for _ in range(split)]
    size = 2 * len(elements) + 2
    k, m, q = np.zeros((size, size)), np.zeros((size, size)), np.zeros(size)
    for i, (length, thickness) in enumerate(elements):
        turn = np.array([1, length, 1, length])  # slopes are per mm
        at = slice(2 * i, 2 * i + 4)
        mass = density * 1e-12 * thickness * length
        k[at, at] += modulus * 1e3 * thickness**3 / 12 / length**3 * STIFFNESS * np.outer(turn, turn)
        m[at, at] += mass / 420 * MASS * np.outer(turn, turn)
        q[at] += mass * LOAD * turn
    k, m, q, tip = k[2:, 2:], m[2:, 2:], q[2:], np.zeros(size - 2)
    tip[-2] = 1.0
    # Of flexibility times mass the lowest frequency is the largest eigenvalue, so it keeps its digits.
    slowest = np.linalg.eigvals(np.linalg.solve(k, m)).real.max()
    return np.linalg.solve(k, q)[-2], np.linalg.solve(k, tip)[-2], 1 / (2 * np.pi * np.sqrt(slowest))


def test_the_elements_know_the_handbook_beam():
    assert finite_elements([(100.0, 3.0)], 3.5, 1240.0)[2] == pytest.approx(81.419, rel=1e-4)


def cut_off(runs, height):
    """The part of the runs below a height."""
    foot = np.concatenate([[0], np.cumsum([run[0] for run in runs])])
    return [(min(h, height - z), t) for (h, t), z in zip(runs, foot, strict=False) if z < height - 1e-9]


RANDOM = np.random.default_rng(1)
STEPPED = {
    "thinner above": [(33.3, 3.0), (66.7, 0.8)],
    "thicker above": [(33.3, 0.8), (66.7, 3.0)],
    "framed": [(3.0, 4.0), (94.0, 0.8), (3.0, 4.0)],
    "many steps": [
        (round(h, 1), t) for h, t in zip(RANDOM.uniform(1, 10, 20), RANDOM.uniform(0.8, 4, 20), strict=True)
    ],
}


@pytest.mark.parametrize("name", STEPPED)
@pytest.mark.parametrize("share", [0.04, 0.2, 0.5, 0.77, 1.0])
def test_stepped_walls_at_every_height(name, share):
    runs = STEPPED[name]
    rows = np.repeat([t for _, t in runs], [round(h / 0.1) for h, _ in runs])
    wall = measure_sections(np.repeat(rows[::-1, None], 10, axis=1), 0.1)  # 1 mm wide
    height = round(share * wall.height, 1)
    found = compute_steadiness(wall, Conditions(3.5, 1240.0), np.array([height]))
    expected = finite_elements(cut_off(runs, height), 3.5, 1240.0)
    values = found.by_acceleration[0], found.by_force[0], found.frequency[0]
    assert values == pytest.approx(expected, rel=2e-4)


def test_wedges_are_a_clamp_at_their_top():
    """What stands above them is a beam of its own, foot at the wedges' top."""
    runs = STEPPED["thinner above"]
    rows = np.repeat([t for _, t in runs], [333, 667])
    wall = measure_sections(np.repeat(rows[::-1, None], 10, axis=1), 0.1)
    held = compute_steadiness(wall, Conditions(3.5, 1240.0, support=20.0), np.array([100.0]))
    expected = finite_elements([(13.3, 3.0), (66.7, 0.8)], 3.5, 1240.0)
    values = held.by_acceleration[0], held.by_force[0], held.frequency[0]
    assert values == pytest.approx(expected, rel=2e-4)
