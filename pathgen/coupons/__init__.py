"""Calibration prints (coupons): each module builds one print and evaluates its measurements.

`pathgen.coupons.definition` defines the vocabulary.
"""

from __future__ import annotations

from importlib import import_module

from pathgen.coupons.definition import TABLES, Coupon
from pathgen.errors import PathgenError, nearest

NAMES = tuple(TABLES)  # in the recommended order


def find_coupon(name: str) -> Coupon:
    """Return the coupon of the given name.

    Raises
    ------
    PathgenError
        If the name is unknown.

    Examples
    --------
    >>> find_coupon("step-wedge").profile
    'material'
    """
    if name not in NAMES:
        hint = nearest(name, NAMES)
        raise PathgenError(f"unknown coupon {name!r}", where="coupon", allowed=", ".join(NAMES), hint=hint)
    found = import_module(f"pathgen.coupons.{name.replace('-', '_')}").COUPON
    assert isinstance(found, Coupon)
    return found


def all_coupons() -> list[Coupon]:
    """Return all coupons in the recommended order."""
    return [find_coupon(name) for name in NAMES]
