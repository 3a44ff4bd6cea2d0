"""Designs: combinations of factor levels for a study, in order.

The sampled designs are from `scipy.stats.qmc`: Latin hypercube (McKay, Beckman and Conover, Technometrics
21, 239, 1979) and scrambled Sobol sequence (Owen, J. Complexity 14, 466, 1998; both from memory). The same
seed gives the same cases with the same version of scipy, which is part of the table.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import product

from pathgen.errors import PathgenError
from pathgen.study.factors import Factor, Level

DESIGNS = ("grid", "latin-hypercube", "sobol", "table")


def count_cases(design: str, factors: Sequence[Factor], samples: int | None, where: str) -> int:
    """Count the cases of a design without building them.

    Raises
    ------
    PathgenError
        When there are no factors, a grid has `samples` or a continuous factor, or a sampled design lacks
        `samples`.
    """
    if not factors:
        hint = 'add a line under [factors], such as fill = ["tailored", "terraced"]'
        raise PathgenError(f"the {design} design has no factors", where=f"{where}: factors", hint=hint)
    if design == "grid":
        if samples is not None:
            hint = 'remove samples, or choose design = "latin-hypercube" or "sobol"'
            raise PathgenError("a grid design cannot have `samples`", where=f"{where}: samples", hint=hint)
        for factor in factors:
            if not factor.levels:
                what, place = "a range in a grid design needs `steps`", f"{where}: factors.{factor.name}"
                raise PathgenError(what, where=place, hint="add, for example, steps = 5")
        return math.prod(len(factor.levels) for factor in factors)
    if samples is None:
        hint = "add, for example, samples = 64"
        raise PathgenError(f"the {design} design needs `samples`", where=where, hint=hint)
    return samples


def combinations(
    design: str, factors: Sequence[Factor], samples: int, seed: int
) -> Iterator[tuple[Level, ...]]:
    """Yield the combinations of a design, each with one level per factor, in factor order.

    Parameters
    ----------
    design : {"grid", "latin-hypercube", "sobol"}
    factors : sequence of Factor
    samples : int
        Number of combinations of a sampled design.
    seed : int
        Seed of a sampled design.

    Examples
    --------
    >>> from pathgen.study.factors import read_factor
    >>> two = [read_factor("brim", [0.0, 5.0], "s"), read_factor("fill", ["tailored", "raster"], "s")]
    >>> [tuple(level.label for level in levels) for levels in combinations("grid", two, 0, 0)][:3]
    [(0.0, 'tailored'), (0.0, 'raster'), (5.0, 'tailored')]
    """
    if design == "grid":
        yield from product(*(factor.levels for factor in factors))
        return
    from scipy.stats import qmc  # a grid does not need scipy

    if design == "sobol":
        # A Sobol sequence is balanced only at powers of two; draw one and take the first points.
        points = qmc.Sobol(len(factors), seed=seed).random_base2(max(samples - 1, 0).bit_length())[:samples]
    else:
        points = qmc.LatinHypercube(len(factors), seed=seed).random(samples)
    for point in points.tolist():
        yield tuple(factor.at(share) for factor, share in zip(factors, point, strict=True))
