"""Designs: which combinations of the factors' levels a study makes, in which order.

The sampled designs are those of `scipy.stats.qmc`: Latin hypercube (McKay, Beckman and Conover, Technometrics
21, 239, 1979) and scrambled Sobol sequence (Owen, J. Complexity 14, 466, 1998; both from memory). The same
seed gives the same cases with the same version of scipy, which the table names.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import product

from pathgen.errors import PathgenError
from pathgen.study.factors import Factor, Level

DESIGNS = ("grid", "latin-hypercube", "sobol", "table")


def count(design: str, factors: Sequence[Factor], samples: int | None, where: str) -> int:
    """Count the cases of a design before any of them is made.

    Raises
    ------
    PathgenError
        For a grid without factors or with a continuous one, and for samples where none belong, or none where
        they do.
    """
    if not factors:
        hint = 'a line under [factors] for each, such as fill = ["tailored", "terraced"]'
        raise PathgenError(f"{design} without factors", where=f"{where}: factors", hint=hint)
    if design == "grid":
        if samples is not None:
            hint = 'design = "latin-hypercube" or "sobol" takes samples'
            raise PathgenError(f"samples = {samples} of a grid", where=f"{where}: samples", hint=hint)
        for factor in factors:
            if not factor.levels:
                place = f"{where}: factors.{factor.name}"
                raise PathgenError("a range without steps in a grid", where=place, hint="add steps = …")
        return math.prod(len(factor.levels) for factor in factors)
    if samples is None:
        raise PathgenError(f"{design} without samples", where=f"{where}: samples", allowed="samples = …")
    return samples


def combinations(
    design: str, factors: Sequence[Factor], samples: int, seed: int
) -> Iterator[tuple[Level, ...]]:
    """Give the combinations of a design: one level of each factor, in the factors' order.

    Parameters
    ----------
    design : {"grid", "latin-hypercube", "sobol"}
    factors : sequence of Factor
    samples : int
        How many, unless it is a grid.
    seed : int
        Of the sampled designs.

    Examples
    --------
    >>> from pathgen.study.factors import read_factor
    >>> two = [read_factor("brim", [0.0, 5.0], "s"), read_factor("fill", ["tailored", "raster"], "s")]
    >>> [tuple(level.label for level in made) for made in combinations("grid", two, 0, 0)][:3]
    [(0.0, 'tailored'), (0.0, 'raster'), (5.0, 'tailored')]
    """
    if design == "grid":
        yield from product(*(factor.levels for factor in factors))
        return
    from scipy.stats import qmc  # a grid does without scipy

    if design == "sobol":
        # Whole powers of two are drawn, which keeps the sequence balanced, and the first of them taken.
        points = qmc.Sobol(len(factors), seed=seed).random_base2(max(samples - 1, 0).bit_length())[:samples]
    else:
        points = qmc.LatinHypercube(len(factors), seed=seed).random(samples)
    for point in points.tolist():
        yield tuple(factor.at(share) for factor, share in zip(factors, point, strict=True))
