"""Designs against what they are defined by, and against scipy's own sampler."""

import numpy as np
import pytest
from scipy.stats import qmc

from pathgen.errors import PathgenError
from pathgen.study.designs import combinations, count_cases
from pathgen.study.factors import read_factor


def factors():
    return [
        read_factor("fill", ["tailored", "terraced"], "s"),
        read_factor("tolerance", {"from": 0.01, "to": 0.1}, "s"),
        read_factor("brim", {"from": 0.0, "to": 8.0}, "s"),
    ]


def labels(design, samples, seed=0, of=None):
    return [
        tuple(level.label for level in made) for made in combinations(design, of or factors(), samples, seed)
    ]


def test_a_grid_is_the_full_product_the_last_factor_fastest():
    three = [
        read_factor("fill", ["tailored", "raster"], "s"),
        read_factor("layer", {"from": 0.1, "to": 0.3, "steps": 3}, "s"),
    ]
    assert count_cases("grid", three, None, "s") == 6
    assert labels("grid", 0, of=three) == [
        (fill, layer) for fill in ("tailored", "raster") for layer in (0.1, 0.2, 0.3)
    ]


@pytest.mark.parametrize("samples", [1, 7, 20])
def test_a_latin_hypercube_has_one_case_in_each_of_as_many_equal_parts(samples):
    """Definition: McKay, Beckman and Conover, Technometrics 21, 239, 1979 (from memory)."""
    made = labels("latin-hypercube", samples)
    brim = np.array([row[2] for row in made]) / 8.0
    assert sorted(np.floor(brim * samples).astype(int)) == list(range(samples))
    fills = [row[0] for row in made]
    assert abs(fills.count("tailored") - samples / 2) <= 0.5 + 1e-9


def test_sobol_is_scipys_and_the_same_for_the_same_seed():
    made = labels("sobol", 12, seed=5)
    raw = qmc.Sobol(3, seed=5).random_base2(4)[:12]
    assert [row[2] for row in made] == pytest.approx(8.0 * raw[:, 2], rel=1e-5)
    assert [row[1] for row in made] == pytest.approx(0.01 + 0.09 * raw[:, 1], rel=1e-5)
    assert made == labels("sobol", 12, seed=5)
    assert made != labels("sobol", 12, seed=6)


@pytest.mark.parametrize(
    ("design", "of", "samples", "said"),
    [
        ("grid", [], None, "the grid design has no factors"),
        ("grid", factors(), None, "a range in a grid design needs `steps`"),
        ("grid", factors()[:1], 5, "a grid design cannot have `samples`"),
        ("sobol", factors(), None, "the sobol design needs `samples`"),
    ],
)
def test_designs_that_are_none(design, of, samples, said):
    with pytest.raises(PathgenError, match=said):
        count_cases(design, of, samples, "study.toml")
