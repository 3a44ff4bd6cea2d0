"""Rules 201 to 215: set-points, no cold feed, nothing left hot, fan and motors at the end."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pathgen.gcode.pauses import dwell_seconds
from pathgen.proof.checklist.evidence import Command, Subject
from pathgen.proof.checklist.words import RELEASE, Meaning
from pathgen.settings.blocks import commands

IDLE = 120.0  # s that hot heaters may wait without a move; common practice is a few seconds


@dataclass
class _Heater:
    """What the program has said of one heater so far."""

    name: str
    limits: tuple[tuple[int, float, str], ...]  # rule, most °C, whose limit
    value: float | None = None
    line: int = 0
    warm: bool = False  # waited for since it was last cold


@dataclass
class _State:
    """The controller's state as far as heat goes, command after command."""

    nozzle: _Heater
    platform: _Heater
    others: dict[float, _Heater] = field(default_factory=dict)  # nozzles that nothing is fed through, by T
    fan: float = 0.0
    fan_line: int = 0
    released: int = -1  # move index at the last release of the motors
    idle: float = 0.0  # s waited since the last move
    idle_at: int = -1  # move index at which it is waited
    told: set[int] = field(default_factory=set)

    @property
    def hot(self) -> bool:
        return any((heater.value or 0.0) > 0 for heater in self.heaters)

    @property
    def heaters(self) -> tuple[_Heater, ...]:
        """Every heater that was spoken of."""
        return self.nozzle, self.platform, *self.others.values()


def check_heat(subject: Subject) -> None:
    """Hold the rules of theme 2 against a program."""
    state = _begin(subject)
    at = 0
    for command in subject.commands:
        known = [(code, subject.meanings[code]) for code in command.codes if code in subject.meanings]
        if not known:
            continue
        for code, meaning in known:
            if meaning.what in ("nozzle", "motors off"):
                _feeding(subject, state, at, command.move)
                at = command.move
            _obey(subject, state, command, code, meaning)
    _feeding(subject, state, at, len(subject.moves))
    if subject.last:
        _finish(subject, state)


def _begin(subject: Subject) -> _State:
    machine, heat = subject.machine, subject.material.temperature
    by = (machine.name, subject.material.name)
    nozzle = ((201, machine.heaters.nozzle_max, by[0]), (202, heat.nozzle_max, by[1]))
    platform = ((203, machine.heaters.platform_max, by[0]), (204, heat.platform_max, by[1]))
    return _State(_Heater("nozzle", nozzle), _Heater("platform", platform))


def _value(command: Command, meaning: Meaning) -> float | None:
    return next((command.values[a] for a in meaning.letters if a in command.values), None)


def _obey(subject: Subject, state: _State, command: Command, code: str, meaning: Meaning) -> None:
    """Carry out one command."""
    value = _value(command, meaning)
    if meaning.what == "nozzle":
        tool = command.values.get("T", 0.0)
        heater = state.nozzle
        if tool:
            heater = state.others.setdefault(tool, _Heater(f"nozzle {tool:g}", state.nozzle.limits))
        _set(subject, heater, command, code, value, meaning.waits)
    elif meaning.what == "platform":
        _set(subject, state.platform, command, code, value, meaning.waits)
    elif meaning.what == "other heater":
        subject.book.look(1, 211)
        if value is None or value > 0:
            subject.book.find(211, command.line, code if value is None else f"{code}, {value:g} °C", value)
    elif meaning.what == "fan":
        state.fan, state.fan_line = 1.0 if value is None else value, command.line
    elif meaning.what == "fan off":
        state.fan, state.fan_line = 0.0, command.line
    elif meaning.what == "motors off":
        state.released = command.move
    elif meaning.what in ("dwell", "pause"):
        _wait(subject, state, command, code, meaning)


def _set(
    subject: Subject, heater: _Heater, command: Command, code: str, value: float | None, waits: bool
) -> None:
    """Take in a set-point, or a wait for the one that is set."""
    if value is not None:
        for number, most, whose in heater.limits:
            subject.book.look(1, number)
            if value > most:
                text, limit = f"{code} sets {value:g} °C", f"at most {most:g} °C for {whose}"
                subject.book.find(number, command.line, text, value, limit)
        heater.value, heater.line = value, command.line
    if heater.value is None:
        return
    least = subject.material.temperature.nozzle_min
    if waits:
        heater.warm = heater.value >= least
    elif heater.value < least:
        heater.warm = False


def _feeding(subject: Subject, state: _State, first: int, last: int) -> None:
    """205 to 207: what is fed while the nozzle's set-point stays as it is."""
    low, high = np.searchsorted(subject.fed, [first, last])
    nozzle = state.nozzle
    if low == high or (subject.machine.dialect.heaters == "machine" and nozzle.value is None):
        return
    subject.book.look(int(high - low), 205, 206, 207)
    least = subject.material.temperature.nozzle_min
    line, end = subject.line(int(subject.fed[low])), subject.line(int(subject.fed[high - 1]))
    limit = f"at least {least:g} °C, waited for"
    if nozzle.value is not None and nozzle.value < least:
        text = f"set to {nozzle.value:g} °C in line {nozzle.line}"
        subject.book.find(206, line, text, nozzle.value, limit, end)
    elif not nozzle.warm:
        text = f"set in line {nozzle.line}, not waited for" if nozzle.line else "never set"
        number = 207 if 205 in state.told else 205
        subject.book.find(number, line, text, nozzle.value, limit, end)
    state.told.add(205)  # once it has fed, a cold nozzle is one that cooled down


def _wait(subject: Subject, state: _State, command: Command, code: str, meaning: Meaning) -> None:
    """210, 212, 213: what happens while nothing moves."""
    by_machine = subject.machine.dialect.heaters == "machine"
    if meaning.what == "pause":
        number = 213 if by_machine else 212
        subject.book.look(1, number)
        if by_machine or state.hot:
            subject.book.find(number, command.line, code)
        return
    if state.idle_at != command.move:
        state.idle, state.idle_at = 0.0, command.move
    before = state.idle
    state.idle += dwell_seconds(command.values, subject.machine.dialect)
    subject.book.look(1, 210)
    if (by_machine or state.hot) and before <= IDLE < state.idle:
        subject.book.find(210, command.line, f"{state.idle:g} s", state.idle, f"at most {IDLE:g} s")


def _finish(subject: Subject, state: _State) -> None:
    """208, 209, 214, 215: what is left behind."""
    dialect, book, last = subject.machine.dialect, subject.book, subject.last_line
    for heater in state.heaters:
        number = 209 if heater is state.platform else 208
        if heater.value is None:
            continue
        book.look(1, number)
        if heater.value > 0:
            text = f"{heater.name} set to {heater.value:g} °C in line {heater.line}, and not turned off after"
            book.find(number, heater.line, text, heater.value, "0 °C")
    if state.fan_line:
        book.look(1, 214)
        if state.fan > 0:
            book.find(214, state.fan_line, f"turned on in line {state.fan_line}", state.fan, "0")
    knows = [code for code in RELEASE if code in (*dialect.own_words, *commands(dialect.finish, dialect))]
    if knows and len(subject.moves):
        book.look(1, 215)
        if state.released < len(subject.moves):
            book.find(215, last, f"no {' or '.join(knows)} after the last move")
