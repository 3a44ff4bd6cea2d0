"""Coupons: calibration prints, one file each, from the print to what its readings say.

`pathgen.coupons.definition` has the vocabulary. Each coupon's file builds its specimen and fits its sheet.
"""

from __future__ import annotations

from importlib import import_module

from pathgen.coupons.definition import Coupon
from pathgen.errors import PathgenError, nearest

# In the order in which they help: what a later one is judged by, an earlier one has measured.
NAMES = (
    "first-layer-tile",
    "bead-ladder",
    "lag-strip",
    "heat-ladder",
    "packing-ladder",
    "step-wedge",
    "resolution-chart",
    "feed-ladder",
    "axis-pair",
    "overhang-ladder",
    "sway-fin",
)


def find_coupon(name: str) -> Coupon:
    """Give a coupon by its name.

    Raises
    ------
    PathgenError
        For a name that none has.

    Examples
    --------
    >>> find_coupon("step-wedge").profile
    'material'
    """
    if name not in NAMES:
        hint = nearest(name, NAMES)
        raise PathgenError(f"no coupon {name!r}", where="coupon", allowed=", ".join(NAMES), hint=hint)
    found = import_module(f"pathgen.coupons.{name.replace('-', '_')}").COUPON
    assert isinstance(found, Coupon)
    return found


def all_coupons() -> list[Coupon]:
    """Give all coupons, in the order in which they help."""
    return [find_coupon(name) for name in NAMES]
