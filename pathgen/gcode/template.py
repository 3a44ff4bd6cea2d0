"""Fill the start, finish and fan blocks of a dialect, which are templates of program lines."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pathgen.errors import PathgenError, nearest
from pathgen.motion.moves import Floats
from pathgen.settings.blocks import BRACES, MAX_LINE
from pathgen.settings.machine import Dialect, Machine


def format_number(value: float, decimals: int) -> str:
    """Format a number as `digits.format_lines` does: no trailing zeros, no "-0".

    Examples
    --------
    >>> format_number(12.5, 3), format_number(-0.0001, 3), format_number(200.0, 0)
    ('12.5', '0', '200')
    """
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if decimals else text
    return "0" if text == "-0" else text


def format_placeholders(values: Mapping[str, float], machine: Machine, fan: float) -> dict[str, str]:
    """Format the values of all placeholders.

    Parameters
    ----------
    values : mapping of str to float
        Values from the job: temperatures in °C ("nozzle", "platform") and positions in mm ("park_x",
        "park_y", "clear_z").
    machine : Machine
        Provides the feeds, which become mm/min, and the numbers of decimals.
    fan : float
        Part cooling, 0 to 1.

    Returns
    -------
    dict of str to str
    """
    dialect = machine.dialect
    feeds = {"travel_feed": machine.travel_feed * 60, "lift_feed": machine.axes.z.feed * 60}
    decimals = {"fan_fraction": 3} | dict.fromkeys(feeds, dialect.feed_decimals)
    decimals |= dict.fromkeys(("park_x", "park_y", "clear_z"), dialect.position_decimals)
    known = {**values, **feeds, "fan": fan * 255, "fan_fraction": fan}
    return {name: format_number(value, decimals.get(name, 0)) for name, value in known.items()}


def fill_block(name: str, dialect: Dialect, values: Mapping[str, str]) -> list[str]:
    """Fill the placeholders of a block.

    Parameters
    ----------
    name : str
        "start", "finish", "fan_on" or "fan_off".
    dialect : Dialect
    values : mapping of str to str
        Text of each placeholder; unused ones are allowed.

    Returns
    -------
    list of str
        Lines without newlines, blank lines removed; empty for an empty block.

    Raises
    ------
    PathgenError
        If a placeholder has no value, or a line is too long or not ASCII.
    """
    lines = []
    for row, template in enumerate(getattr(dialect, name).splitlines(), start=1):
        where = f"dialect.{name} line {row}"
        for used in BRACES.findall(template):
            if used not in values:
                what, hint = f"unknown placeholder {{{used}}}", nearest(used, values)
                allowed = ", ".join(f"{{{n}}}" for n in sorted(values))
                raise PathgenError(what, where=where, allowed=allowed, hint=hint)
        line = BRACES.sub(lambda found: values[found[1]], template).strip()
        if len(line) > MAX_LINE or not line.isascii():
            what = f"the line has {len(line)} characters"
            raise PathgenError(what, where=where, allowed=f"at most {MAX_LINE} ASCII characters")
        if line:
            lines.append(line)
    return lines


def layer_commands(
    machine: Machine, values: Mapping[str, str], nozzle: Floats | None, fan: Floats
) -> dict[int, list[str]]:
    """Format the commands that change part cooling or nozzle temperature from layer to layer.

    Parameters
    ----------
    machine : Machine
        If temperatures are set at the machine, the program stops (M0) with a message for the operator.
    values : mapping of str to str
        Result of `format_placeholders`.
    nozzle : (L,) float64 or None
        Nozzle temperature of every layer, °C; None if it is constant.
    fan : (L,) float64
        Part cooling of every layer, 0 to 1. The fan is off before the first layer.

    Returns
    -------
    dict of int to list of str
        Commands by layer, for the layers that change something.

    Examples
    --------
    >>> from pathgen.settings import load_machine
    >>> hot, cool = np.array([200.0, 200.0, 210.0]), np.array([0.0, 1.0, 1.0])
    >>> layer_commands(load_machine("moving-table"), {}, hot, cool)
    {1: ['M106 S255'], 2: ['M104 S210']}
    >>> layer_commands(load_machine("ngc-lab"), {}, hot, cool)[2]
    ['(MSG, set the nozzle to 210 C, then continue)', 'M0']
    """
    dialect = machine.dialect
    lines: dict[int, list[str]] = {}
    for layer in np.flatnonzero(np.diff(fan, prepend=0.0)).tolist():
        share = float(fan[layer])
        spelled = {**values, "fan": format_number(share * 255, 0), "fan_fraction": format_number(share, 3)}
        lines[layer] = fill_block("fan_on" if share else "fan_off", dialect, spelled)
    hot = np.zeros(0) if nozzle is None else nozzle
    for layer in (np.flatnonzero(np.diff(hot)) + 1).tolist():
        value = format_number(float(hot[layer]), 0)
        if dialect.heaters == "program":
            change = fill_block("nozzle_change", dialect, {**values, "nozzle": value})
        else:
            message = f"set the nozzle to {value} C, then continue"
            # NISTIR 6556, 3.3.4: the controller shows a comment that begins with MSG to the operator.
            change = [f"(MSG, {message})", "M0"] if dialect.comment == "parentheses" else [f"M0 ; {message}"]
        lines[layer] = lines.get(layer, []) + change
    return {layer: commands for layer, commands in lines.items() if commands}
