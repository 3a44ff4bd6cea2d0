"""Rules 201 to 215: temperatures, cold extrusion, waits, and the state at the end of the program."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pathgen.gcode.pauses import dwell_seconds
from pathgen.proof.checklist.evidence import Command, Subject
from pathgen.proof.checklist.words import RELEASE
from pathgen.settings.blocks import commands
from pathgen.settings.program_words import ProgramWord

IDLE = 120.0  # s, maximum wait with the heaters on; common practice is a few seconds


@dataclass
class _Heater:
    """State of one heater."""

    name: str
    limits: tuple[tuple[int, float, str], ...]  # rule, maximum °C, profile that sets it
    value: float | None = None
    line: int = 0
    warm: bool = False  # the program has waited for it since it was last cold


@dataclass
class _State:
    """Simulated thermal state of the controller: heaters, fan and filament fed."""

    nozzle: _Heater
    platform: _Heater
    others: dict[float, _Heater] = field(default_factory=dict)  # further nozzles, by T; nothing is fed there
    fan: float = 0.0
    fan_line: int = 0
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
    """Check temperatures, heaters, fan and motors (rules 201 to 215)."""
    state = _begin(subject)
    at = 0
    for command in subject.commands:
        for code in command.codes:
            word = subject.effects.get(code)
            if word is None:
                continue
            if word.effect in ("nozzle", "motors off"):
                _feeding(subject, state, at, command.move)
                at = command.move
            _execute(subject, state, command, code, word)
    _feeding(subject, state, at, len(subject.moves))
    if subject.last:
        _finish(subject, state)


def _begin(subject: Subject) -> _State:
    machine, heat = subject.machine, subject.material.temperature
    by = (machine.name, subject.material.name)
    nozzle = ((201, machine.heaters.nozzle_max, by[0]), (202, heat.nozzle_max, by[1]))
    platform = ((203, machine.heaters.platform_max, by[0]), (204, heat.platform_max, by[1]))
    return _State(_Heater("nozzle", nozzle), _Heater("platform", platform))


def _value(command: Command, word: ProgramWord) -> float | None:
    return next((command.values[a] for a in word.letters if a in command.values), None)


def _execute(subject: Subject, state: _State, command: Command, code: str, word: ProgramWord) -> None:
    """Update the simulated state with one command."""
    value = _value(command, word)
    if word.effect == "nozzle":
        tool = command.values.get("T", 0.0)
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
    elif word.effect == "fan off":
        state.fan, state.fan_line = 0.0, command.line
    elif word.effect == "motors off":
        state.released = command.move
    elif word.effect in ("dwell", "pause"):
        _wait(subject, state, command, code, word)


def _set(
    subject: Subject, heater: _Heater, command: Command, code: str, value: float | None, waits: bool
) -> None:
    """Apply a command that sets a temperature or waits for a heater."""
    if value is not None:
        for number, limit, profile in heater.limits:
            text = f"{code} sets {value:g} °C"
            subject.log.require(
                value <= limit, number, command.line, text, value, f"{limit:g} °C ({profile})"
            )
        heater.value, heater.line = value, command.line
    if heater.value is None:
        return
    cold = heater.value < subject.material.temperature.nozzle_min
    if waits or cold:
        heater.warm = not cold


def _feeding(subject: Subject, state: _State, first: int, last: int) -> None:
    """Check filament feeding against the nozzle temperature (rules 205 to 207)."""
    low, high = np.searchsorted(subject.fed, [first, last])
    nozzle = state.nozzle
    if low == high or (subject.machine.dialect.heaters == "machine" and nozzle.value is None):
        return
    subject.log.count_checks(int(high - low), 205, 206, 207)
    lowest = subject.material.temperature.nozzle_min
    line, end = subject.line(int(subject.fed[low])), subject.line(int(subject.fed[high - 1]))
    limit = f"at least {lowest:g} °C, reached before feeding"
    if nozzle.value is not None and nozzle.value < lowest:
        text = f"set to {nozzle.value:g} °C in line {nozzle.line}"
        subject.log.add(206, line, text, nozzle.value, limit, end)
    elif not nozzle.warm:
        text = f"set in line {nozzle.line} without waiting" if nozzle.line else "never set"
        subject.log.add(207 if state.has_fed else 205, line, text, nozzle.value, limit, end)
    state.has_fed = True  # a nozzle that is cold after it has fed has cooled down


def _wait(subject: Subject, state: _State, command: Command, code: str, word: ProgramWord) -> None:
    """Check pauses and waits (rules 210, 212 and 213)."""
    by_machine = subject.machine.dialect.heaters == "machine"
    hot = by_machine or state.hot
    if word.effect == "pause":
        subject.log.require(not hot, 213 if by_machine else 212, command.line, code)
        return
    if state.idle_at != command.move:
        state.idle, state.idle_at = 0.0, command.move
    before = state.idle
    state.idle += dwell_seconds(command.values, subject.machine.dialect)
    too_long = hot and before <= IDLE < state.idle
    subject.log.require(not too_long, 210, command.line, f"{state.idle:g} s", state.idle, f"{IDLE:g} s")


def _finish(subject: Subject, state: _State) -> None:
    """Check that heaters, fan and motors are off at the end (rules 208, 209, 214 and 215)."""
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
