"""What a sheet says, written into a machine's or a material's file; all other lines are kept."""

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


def changed_text(text: str, outcome: Outcome, coupon: Coupon, name: str) -> str:
    """Put what a sheet says into a profile's file.

    Parameters
    ----------
    text : str
        The file as it was: TOML, valid.
    outcome : Outcome
    coupon : Coupon
        Its `profile` says what the file is.
    name : str
        What the new profile is called.

    Returns
    -------
    str
        No date: the same readings give the same text.

    Raises
    ------
    PathgenError
        When the readings change nothing, the file cannot be changed line by line, or what comes out is no
        profile.
    """
    if not outcome.changes:
        said = "; ".join(outcome.notes) or "they tell nothing apart"
        raise PathgenError(f"the readings change nothing: {said}", where=coupon.name)
    tables: dict[str, dict[str, Value]] = {"": {"name": name}}
    remarks: dict[str, dict[str, str]] = {}
    for change in outcome.changes:
        tables.setdefault(change.table, {})[change.key] = change.value
        remarks.setdefault(change.table, {})[change.key] = f"{change.remark}; by {coupon.name}"
    for table, values in tables.items():
        text = rewrite_table(text, table, values, remarks=remarks.get(table, {}))
    where = f"{coupon.profile} {name}"
    if coupon.profile == "machine":
        machine = typed(tomllib.loads(text), Machine, where)
        refuse_first(machine_faults(machine), where)
    else:
        material = typed(tomllib.loads(text), Material, where)
        refuse_first(material_faults(material), where)
    return text
