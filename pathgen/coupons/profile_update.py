"""Update of a machine or material file with the result of a fit."""

from __future__ import annotations

import tomllib

from pathgen.coupons.definition import Coupon
from pathgen.coupons.fit_result import Outcome
from pathgen.errors import PathgenError
from pathgen.settings.constraints import machine_faults, material_faults
from pathgen.settings.machine import Machine
from pathgen.settings.material import Material
from pathgen.settings.toml_edit import Value, rewrite_table
from pathgen.settings.validation import refuse_first, typed


def update_profile_text(text: str, outcome: Outcome, coupon: Coupon, name: str) -> str:
    """Return the text of a profile file with the changes from a fit.

    Parameters
    ----------
    text : str
        Original text of the file, valid TOML.
    outcome : Outcome
    coupon : Coupon
        Its `profile` is the type of the file.
    name : str
        Name of the new profile.

    Returns
    -------
    str
        Without a date, so the same measurements give the same text.

    Raises
    ------
    PathgenError
        If there are no changes, if the file cannot be edited line by line, or if the result is not a valid
        profile.
    """
    if not outcome.changes:
        reason = "; ".join(outcome.notes) or "they do not differ significantly"
        raise PathgenError(
            f"the measurements give no reason to change the profile: {reason}", where=coupon.name
        )
    tables: dict[str, dict[str, Value]] = {"": {"name": name}}
    remarks: dict[str, dict[str, str]] = {}
    for change in outcome.changes:
        tables.setdefault(change.table, {})[change.key] = change.value
        remarks.setdefault(change.table, {})[change.key] = f"{change.remark}; by {coupon.name}"
    for table, values in tables.items():
        text = rewrite_table(text, table, values, remarks=remarks.get(table, {}))
    profile, where = tomllib.loads(text), f"{coupon.profile} {name}"
    if coupon.profile == "machine":
        faults = machine_faults(typed(profile, Machine, where))
    else:
        faults = material_faults(typed(profile, Material, where))
    refuse_first(faults, where)
    return text
