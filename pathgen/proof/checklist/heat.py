"""Rules 201 to 219: temperatures, cold extrusion, waits, and heaters at the end of the program."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from pathgen.gcode.pauses import dwell_seconds
from pathgen.proof.checklist.evidence import SAME, Command, Subject
from pathgen.proof.checklist.words import RELEASE
from pathgen.settings.blocks import commands
from pathgen.settings.program_words import ProgramWord

BELOW = 20.0  # °C below the platform temperature that material or job states; common practice
WEAK = 0.5  # share of the material's fan power; weaker, the fan does not cool the wall
IDLE = 120.0  # s, maximum wait with the heaters on; common practice is a few seconds


@dataclass
class _Heater:
    """State of one heater."""

    name: str
    limits: tuple[tuple[int, float, str], ...]  # rule, maximum °C, profile that sets it
    value: float | None = None
    line: int = 0
    lowest: float = 0.0  # °C; colder, it is too cold for feeding
    warm: bool = False  # the program has waited for it since it was last cold


@dataclass
class _State:
    """Simulated thermal state of the controller: heaters, fan and filament fed."""

    nozzle: _Heater
    platform: _Heater
    others: dict[float, _Heater] = field(default_factory=dict)  # further nozzles, by T; nothing is fed there
    tool: float = 0.0  # the last T word: the nozzle that commands without T address
    fan: float = 0.0
    fan_line: int = 0
    fan_changes: list[tuple[int, float]] = field(default_factory=list)  # index of the next move, and value
    released: int = -1  # index of the move after the last release of the motors
    idle: float = 0.0  # s of waiting since the last move
    idle_at: int = -1  # index of the move after the wait
    has_fed: bool = False

    @property
    def hot(self) -> bool:
        return any((heater.value or 0.0) > 0 for heater in self.heaters)

    @property
    def heaters(self) -> tuple[_Heater, ...]:
        """All heaters that the program has set."""
        return self.nozzle, self.platform, *self.others.values()


def check_heat(subject: Subject) -> None:
    """Check temperatures, heaters, fan and motors (rules 201 to 219)."""
    state = _begin(subject)
    at = 0
    for command in subject.commands:
        words = [subject.effects[code] for code in command.codes if code in subject.effects]
        if "T" in command.values and not any(word.effect in ("nozzle", "acceleration") for word in words):
            state.tool = command.values["T"]
        for code in command.codes:
            word = subject.effects.get(code)
            if word is None:
                continue
            if word.effect in ("nozzle", "platform", "motors off"):
                _feeding(subject, state, at, command.move)
                at = command.move
            _execute(subject, state, command, code, word)
    _feeding(subject, state, at, len(subject.moves))
    _check_fan(subject, state)
    if subject.last:
        _finish(subject, state)


def _begin(subject: Subject) -> _State:
    machine, heat = subject.machine, subject.material.temperature
    by = (machine.name, subject.material.name)
    nozzle = ((201, machine.heaters.nozzle_max, by[0]), (202, heat.nozzle_max, by[1]))
    platform = ((203, machine.heaters.platform_max, by[0]), (204, heat.platform_max, by[1]))
    try:  # a job may ask for a cooler platform
        wanted = min(heat.platform, float(subject.program.header.get("job platform_temperature", "inf")))
    except ValueError:
        wanted = heat.platform
    return _State(
        _Heater("nozzle", nozzle, lowest=heat.nozzle_min),
        _Heater("platform", platform, lowest=min(wanted - BELOW, machine.heaters.platform_max)),
    )


def _value(command: Command, word: ProgramWord) -> float | None:
    return next((command.values[a] for a in word.letters if a in command.values), None)


def _execute(subject: Subject, state: _State, command: Command, code: str, word: ProgramWord) -> None:
    """Update the simulated state with one command."""
    value = _value(command, word)
    if word.effect == "nozzle":
        tool = command.values.get("T", state.tool)
        heater = state.nozzle
        if tool:
            heater = state.others.setdefault(tool, _Heater(f"nozzle {tool:g}", state.nozzle.limits))
        _set(subject, heater, command, code, value, word.waits)
    elif word.effect == "platform":
        _set(subject, state.platform, command, code, value, word.waits)
    elif word.effect == "other heater":
        text = code if value is None else f"{code} sets {value:g} °C"
        subject.log.require(value is not None and value <= 0, 211, command.line, text, value)
    elif word.effect == "fan":
        state.fan, state.fan_line = 1.0 if value is None else value, command.line
        state.fan_changes.append((command.move, state.fan))
    elif word.effect == "fan off":
        state.fan, state.fan_line = 0.0, command.line
        state.fan_changes.append((command.move, 0.0))
    elif word.effect == "motors off":
        state.released = command.move
    elif word.effect in ("dwell", "pause"):
        _wait(subject, state, command, code, word)


def _set(
    subject: Subject, heater: _Heater, command: Command, code: str, value: float | None, waits: bool
) -> None:
    """Apply a command that sets a temperature or waits for a heater (rules 201 to 204 and 216)."""
    subject.log.require(value is not None, 216, command.line, code)
    if value is not None:
        for number, limit, profile in heater.limits:
            text = f"{code} sets {value:g} °C"
            subject.log.require(
                value <= limit, number, command.line, text, value, f"{limit:g} °C ({profile})"
            )
        heater.value, heater.line = value, command.line
    if heater.value is None:
        return
    cold = heater.value < heater.lowest
    if waits or cold:
        heater.warm = not cold


def _feeding(subject: Subject, state: _State, first: int, last: int) -> None:
    """Check filament feeding against the temperatures (rules 205 to 207, 217 and 218)."""
    low, high = np.searchsorted(subject.fed, [first, last])
    if low == high:
        return
    rows = subject.fed[low:high]
    numbers = 206, 207 if state.has_fed else 205
    state.has_fed = True  # a nozzle that is cold after it has fed has cooled down
    for heater, (too_cold, too_soon) in ((state.nozzle, numbers), (state.platform, (217, 218))):
        if heater.lowest <= 0 or subject.machine.dialect.heaters == "machine" and heater.value is None:
            continue
        subject.log.count_checks(len(rows), *((205, 206, 207) if heater is state.nozzle else (217, 218)))
        line, end = subject.line(int(rows[0])), subject.line(int(rows[-1]))
        limit = f"at least {heater.lowest:g} °C, reached before feeding"
        if heater.value is not None and heater.value < heater.lowest:
            text = f"set to {heater.value:g} °C in line {heater.line}"
            subject.log.add(too_cold, line, text, heater.value, limit, end)
        elif not heater.warm:
            text = f"set in line {heater.line} without waiting" if heater.line else "never set"
            subject.log.add(too_soon, line, text, heater.value, limit, end)


def _wait(subject: Subject, state: _State, command: Command, code: str, word: ProgramWord) -> None:
    """Check pauses and waits (rules 210, 212 and 213)."""
    by_machine = subject.machine.dialect.heaters == "machine"
    hot = by_machine or state.hot
    if word.effect == "pause":
        subject.log.require(not hot, 213 if by_machine else 212, command.line, code)
        return
    if subject.fed_before and command.line < subject.line(0):  # a wait of an earlier window
        return
    if state.idle_at != command.move:
        state.idle, state.idle_at = 0.0, command.move
    before = state.idle
    state.idle += dwell_seconds(command.values, subject.machine.dialect)
    too_long = hot and before <= IDLE < state.idle
    subject.log.require(not too_long, 210, command.line, f"{state.idle:g} s", state.idle, f"{IDLE:g} s")


def _check_fan(subject: Subject, state: _State) -> None:
    """Check that the fan is on above the first layer if the material needs it (rule 219)."""
    material, deposits, dialect = subject.material, subject.deposits, subject.machine.dialect
    if not len(deposits) or not material.fan or not dialect.fan_on:
        return
    if "fan" in subject.program.header.get("job band", ""):  # the job chooses where the fan runs
        return
    z = subject.moves.z[deposits]
    first = 0.0 if subject.below else float(z.min())
    above = np.flatnonzero(z > first + SAME)
    subject.log.count_checks(len(above), 219)
    worked = max((value for _, value in state.fan_changes), default=0.0)
    # Other software turns the fan off for single layers; a program of pathgen keeps it on.
    changes = state.fan_changes if subject.program.marked else [(0, worked)]
    least = WEAK * material.fan if subject.program.marked else 0.0
    full = 255.0 if "{fan}" in dialect.fan_on else 1.0
    spans = [(0, 0.0), *changes, (len(subject.moves), 1.0)]
    for (start, value), (stop, _) in pairwise(spans):
        low, high = np.searchsorted(deposits[above], [start, stop])
        if value > 0 and value >= least * full or low == high:
            continue
        below = int(above[low]) - 1
        line = subject.line(max(start, int(deposits[below]) + 1 if below >= 0 else 0))
        limit = f"{material.fan:g} from the second layer on ({material.name})"
        text = f"at {value / full:.2g} of its power" if value > 0 else "off"
        subject.log.add(219, line, text, value / full, limit, subject.line(int(deposits[above[high - 1]])))


def _finish(subject: Subject, state: _State) -> None:
    """Check that heaters, fan and motors are off at the end (rules 208, 209, 214, 215 and 219)."""
    dialect, log = subject.machine.dialect, subject.log
    for heater in state.heaters:
        if heater.value is not None:
            number = 209 if heater is state.platform else 208
            text = f"{heater.name} set to {heater.value:g} °C in line {heater.line} and never turned off"
            log.require(heater.value <= 0, number, heater.line, text, heater.value, "0 °C")
    if state.fan_line:
        text = f"turned on in line {state.fan_line}"
        log.require(state.fan <= 0, 214, state.fan_line, text, state.fan, "0")
    known = [code for code in RELEASE if code in (*dialect.own_words, *commands(dialect.finish, dialect))]
    if known and len(subject.moves):
        released = state.released >= len(subject.moves)
        log.require(released, 215, subject.last_line, f"no {' or '.join(known)} after the last move")
