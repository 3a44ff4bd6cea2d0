"""Start, finish and fan blocks of a dialect: templates become program lines."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError, nearest
from pathgen.settings.machine import Dialect, Machine

MOST = 255  # characters; RS-274 (NISTIR 6556, 3.3) ends a line's 256 with its newline

Floats = NDArray[np.float64]

_BRACES = re.compile(r"\{([^{}]*)\}")
_POSITIONS = ("park_x", "park_y", "clear_z")
_FEEDS = ("travel_feed", "lift_feed")


def number(value: float, decimals: int) -> str:
    """Spell one number as `digits.format_lines` does: no trailing zeros, no "-0".

    Examples
    --------
    >>> number(12.5, 3), number(-0.0001, 3), number(200.0, 0)
    ('12.5', '0', '200')
    """
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if decimals else text
    return "0" if text == "-0" else text


def placeholders(values: Mapping[str, float], machine: Machine, fan: float) -> dict[str, str]:
    """Spell everything that may stand in braces.

    Parameters
    ----------
    values : mapping of str to float
        What the job decides: temperatures in °C ("nozzle", "platform"), positions in mm ("park_x", "park_y",
        "clear_z").
    machine : Machine
        Its feeds become mm/min; its dialect says with how many decimals.
    fan : float
        Part cooling, 0 to 1.

    Returns
    -------
    dict of str to str
    """
    dialect = machine.dialect
    decimals = dict.fromkeys(_POSITIONS, dialect.position_decimals) | dict.fromkeys(
        _FEEDS, dialect.feed_decimals
    )
    decimals["fan_fraction"] = 3
    feeds = {"travel_feed": machine.travel_feed * 60, "lift_feed": machine.axes.z.feed * 60}
    known = {**values, **feeds, "fan": fan * 255, "fan_fraction": fan}
    return {name: number(value, decimals.get(name, 0)) for name, value in known.items()}


def block_lines(name: str, dialect: Dialect, values: Mapping[str, str]) -> list[str]:
    """Fill a block of a dialect.

    Parameters
    ----------
    name : str
        "start", "finish", "fan_on" or "fan_off".
    dialect : Dialect
    values : mapping of str to str
        Text for each placeholder; the block need not use all.

    Returns
    -------
    list of str
        Lines without their ends; blank lines are left out, so an empty block gives none.

    Raises
    ------
    PathgenError
        For a placeholder without a value, or a line a controller could not take.
    """
    lines = []
    for row, template in enumerate(getattr(dialect, name).splitlines(), start=1):
        where = f"dialect.{name} line {row}"
        for used in _BRACES.findall(template):
            if used not in values:
                raise PathgenError(
                    f"unknown placeholder {'{' + used + '}'}",
                    where=where,
                    allowed=", ".join(f"{{{n}}}" for n in sorted(values)),
                    hint=nearest(used, values),
                )
        line = _BRACES.sub(lambda found: values[found[1]], template).strip()
        if len(line) > MOST or not line.isascii():
            raise PathgenError(
                f"line of {len(line)} characters", where=where, allowed=f"at most {MOST}, ASCII only"
            )
        if line:
            lines.append(line)
    return lines


def layer_changes(
    machine: Machine, values: Mapping[str, str], nozzle: Floats | None, fan: Floats
) -> dict[int, list[str]]:
    """Spell what changes from layer to layer: part cooling, and the temperature of the nozzle.

    Parameters
    ----------
    machine : Machine
        One that sets temperatures itself is stopped (M0, with what to set beside it).
    values : mapping of str to str
        As `placeholders` gives them.
    nozzle : (L,) float64 or None
        °C, of every layer; None where it stays as it is.
    fan : (L,) float64
        0 to 1, of every layer. Before the first layer it is off.

    Returns
    -------
    dict of int to list of str
        By layer, for those that change something.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> hot, cool = np.array([200.0, 200.0, 210.0]), np.array([0.0, 1.0, 1.0])
    >>> layer_changes(load_machine("moving-table"), {}, hot, cool)
    {1: ['M106 S255'], 2: ['M104 S210']}
    >>> layer_changes(load_machine("ngc-lab"), {}, hot, cool)[2]
    ['(MSG, set the nozzle to 210 C, then go on)', 'M0']
    """
    dialect = machine.dialect
    lines: dict[int, list[str]] = {}
    for layer in np.flatnonzero(np.diff(fan, prepend=0.0)).tolist():
        share = float(fan[layer])
        spelled = {**values, "fan": number(share * 255, 0), "fan_fraction": number(share, 3)}
        lines[layer] = block_lines("fan_on" if share else "fan_off", dialect, spelled)
    hot = np.zeros(0) if nozzle is None else nozzle
    for layer in (np.flatnonzero(np.diff(hot)) + 1).tolist():
        value = number(float(hot[layer]), 0)
        if dialect.heaters == "program":
            change = block_lines("nozzle_change", dialect, {**values, "nozzle": value})
        else:
            told = f"set the nozzle to {value} C, then go on"
            # NISTIR 6556, 3.3.4: a comment that begins with MSG is shown to the operator.
            change = [f"(MSG, {told})", "M0"] if dialect.comment == "parentheses" else [f"M0 ; {told}"]
        lines[layer] = lines.get(layer, []) + change
    return {layer: said for layer, said in lines.items() if said}
