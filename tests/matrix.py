"""Matrices of tests: a part with every value of every axis always runs, the rest with the slow tests."""

from itertools import product

import pytest


def paired(*axes):
    """Return the product of some axes as parameters for `parametrize`.

    Combinations whose places on the axes are equal modulo the shortest axis always run; the others are slow.
    """
    axes = [list(axis) for axis in axes]
    shortest, found = min(map(len, axes)), []
    for places in product(*(range(len(axis)) for axis in axes)):
        quick = len({place % shortest for place in places}) == 1
        values = [axis[place] for axis, place in zip(axes, places, strict=True)]
        found.append(pytest.param(*values, marks=[] if quick else [pytest.mark.slow]))
    return found


def some(values, *quick):
    """Return values as parameters for `parametrize`: those named run always, the others are slow."""
    return [pytest.param(value, marks=[] if value in quick else [pytest.mark.slow]) for value in values]
