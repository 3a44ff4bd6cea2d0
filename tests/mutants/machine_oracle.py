"""A slow, literal machine: it runs a program line by line and judges the harm by what heaters, head and
plastic do.

It shares no code with `pathgen/`: the reader is a regular expression, the platform a grid of heights,
the deposit a grid of volumes. Words act as NISTIR 6556 (RS274/NGC, 1999) and the usage of open
controllers describe them (common practice, no source). A stored value that the program does not hold
(coordinate system 2, tool 1, the G30 point) is taken as one that differs from the value in force,
because the program cannot know it.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import uniform_filter

WORD = re.compile(r"([A-Z])\s*([+-]?(?:\d+\.?\d*|\.\d+))")
COMMENT = re.compile(r";.*|\([^()]*\)")
CELL, RISE = 0.4, 0.1  # mm: cells of the grids of plastic, across and upward
PLAIN = {
    *"G0 G1 G4 G17 G20 G21 G28 G40 G49 G54 G64 G80 G90 G91 G92 G92.1 G94 M2 M30 M5 M8 M9 M82 M83 M84".split(),
    *"M104 M109 M140 M190 M106 M107".split(),
}
KEPT = "G17 G21 G40 G49 G54 G80 G90 G94".split()  # modes that a strict controller keeps from the last program
STATED = re.compile(
    r"[;(] ?(panel (?:width|height|layers|origin [xy]|rotation)|filament diameter|time|moves|filament|"
    r"(?:deposit|reach) [xyz]|job layer) = ([-+\d.]*)(?: to ([-+\d.]+))?"
)


@dataclass
class Segment:
    """A straight move of the nozzle, with the plastic it lays (mm³; negative: drawn back)."""

    line: int
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    plastic: float
    feed: float  # mm/s

    @property
    def length(self) -> float:
        return math.dist(self.start, self.end)


@dataclass
class Outcome:
    """What the machine did."""

    segments: list[Segment] = field(default_factory=list)
    alarms: list[str] = field(default_factory=list)
    waits: float = 0.0  # s, hot and idle
    cooled: float = 0.0  # mm³ laid with the fan on
    left: dict[str, float | str] = field(default_factory=dict)  # state behind the end
    stated: dict[str, tuple[float, ...]] = field(default_factory=dict)


class Machine:
    """The machine and its controller, from the TOML of the machine and of the material as dicts."""

    def __init__(self, profile: dict, material: dict) -> None:
        self.profile, self.material = profile, material
        self.dialect = profile["dialect"]
        self.strict = self.dialect["extruder"] == "A"
        self.heats = self.dialect["heaters"] == "program"

    def run(self, text: str, *, delete: bool = False, lone: bool = False, ends: bool = True) -> Outcome:
        """Run a program: `delete` skips slashed lines, `lone` ends lines at a lone CR, `ends` stops at M2."""
        done = Outcome()
        state = _State(self, done)
        text = re.sub("\r(?!\n)", "\n" if lone else "", text).replace("\r\n", "\n")
        for number, raw in enumerate(text.split("\n"), start=1):
            for found in STATED.finditer(raw):
                done.stated.setdefault(found[1], tuple(float(v) for v in found.groups()[1:] if v))
            code = COMMENT.sub(" ", raw).upper().strip()
            if code.startswith("/"):
                if delete:
                    continue
                code = code[1:]
            if code in ("", "%"):
                continue
            left = WORD.sub("", code).strip()
            if left:
                done.alarms.append(f"unreadable in line {number}: {left[:20]}")
                continue
            words = [(a, float(b)) for a, b in WORD.findall(code) if a != "N"]
            state.step(number, words)
            if state.ended and ends:
                break
        if not state.ended:
            done.alarms.append("no end")
        state.close()
        return done


class _State:
    """The controller between two lines."""

    def __init__(self, machine: Machine, done: Outcome) -> None:
        self.machine, self.done = machine, done
        self.place, self.shift = [0.0] * 3, [0.0] * 3
        self.absolute, self.scale, self.motion = True, 1.0, 0
        self.e_absolute = machine.dialect["filament_mode"] == "absolute"
        self.fed, self.feed, self.flow, self.speed = 0.0, 0.0, 1.0, 1.0
        self.tool, self.fan, self.ended, self.homed = 0, 0.0, False, machine.strict
        self.target = {"nozzle": 0.0, "platform": 0.0}
        self.actual = dict(self.target)
        self.kept: set[str] = set()
        self.modes: dict[str, str] = {}
        hot = machine.profile["hot_end"]
        self.section = math.pi / 4 * hot["filament_diameter"] ** 2

    def alarm(self, text: str) -> None:
        self.done.alarms.append(text)

    def step(self, number: int, words: list[tuple[str, float]]) -> None:
        codes = [f"{a}{b:g}" for a, b in words if a in "GM"]
        values = {a: b for a, b in words if a not in "GM"}
        if len(values) + len(codes) != len(words) or sum(c in ("G0", "G1") for c in codes) > 1:
            self.alarm(f"words repeated in line {number}")
        if self.ended:
            self.alarm(f"line {number} runs after the end") if codes or values else None
        if "T" in values and not codes:
            self.tool = int(values["T"])
        if "F" in values:
            self.feed = values["F"] * self.scale / 60
        for code in codes:
            self.command(code, values, number)
        axes = {"X", "Y", "Z", self.machine.dialect["extruder"]} & set(values)
        if axes and not {"G28", "G92", "G10", "G30"} & set(codes) and not any(c[0] == "M" for c in codes):
            self.move(values, number)
        elif not codes and not axes and set(values) - {"F", "T"}:
            self.alarm(f"words without a command in line {number}")

    def command(self, code: str, values: dict[str, float], number: int) -> None:
        if code not in PLAIN:
            self.alarm(f"{code} in line {number} does something else than print")
        if code in KEPT:
            self.kept.add(code)
        match code:
            case "G0" | "G1":
                self.motion = int(code[1])
            case "G20" | "G21":
                self.scale = 25.4 if code == "G20" else 1.0
            case "G90" | "G91":
                self.absolute = code == "G90"
                if self.machine.strict:
                    self.e_absolute = self.absolute
            case "M82" | "M83":
                self.e_absolute = code == "M82"
            case "G28":
                axes = [a for a in range(3) if "XYZ"[a] in values] or [0, 1, 2]
                self.homed = self.homed or len(axes) == 3
                self.go([0.0 if a in axes else self.place[a] for a in range(3)], 0.0, number)
                self.shift = [0.0 if a in axes else self.shift[a] for a in range(3)]
            case "G92":
                for axis in range(3):
                    if "XYZ"[axis] in values:
                        self.shift[axis] = self.place[axis] - values["XYZ"[axis]] * self.scale
                self.fed = values.get(self.machine.dialect["extruder"], self.fed)
            case "G4":
                spoken = values.get("S", values.get("P", 0.0) / (1 if self.machine.strict else 1000))
                self.wait(spoken)
            case "M104" | "M109" | "M140" | "M190":
                self.heat(code, values, number)
            case "M106" | "M8":
                self.fan = values.get("S", 255.0)
            case "M107" | "M9":
                self.fan = 0.0
            case "M84":
                self.homed = False
            case "M2" | "M30":
                self.ended = True
        if code[0] == "G" and code not in PLAIN:
            self.modes[code] = "left"

    def heat(self, code: str, values: dict[str, float], number: int) -> None:
        part = "nozzle" if code in ("M104", "M109") else "platform"
        if part == "nozzle" and int(values.get("T", self.tool)):
            self.alarm(f"line {number} addresses a heater that is not there")
            return
        value = values.get("S", values.get("R"))
        if value is None:
            self.alarm(f"{code} in line {number} has no temperature")
            return
        if value > min(self.limit(part)):
            self.alarm(f"{part} at {value:g} in line {number}")
        self.target[part] = value
        if code in ("M109", "M190") or value < self.actual[part]:
            self.actual[part] = value

    def limit(self, part: str) -> tuple[float, float]:
        return (
            self.machine.profile["heaters"][f"{part}_max"],
            self.machine.material["temperature"][f"{part}_max"],
        )

    def wait(self, seconds: float) -> None:
        if not self.machine.heats or max(self.target.values()) > 0:
            self.done.waits += seconds

    def move(self, values: dict[str, float], number: int) -> None:
        new = list(self.place)
        for axis in range(3):
            if "XYZ"[axis] in values:
                value = values["XYZ"[axis]] * self.scale
                new[axis] = value + (self.shift[axis] if self.absolute else self.place[axis])
        letter, fed = self.machine.dialect["extruder"], 0.0
        if letter in values:
            fed = values[letter] - (self.fed if self.e_absolute else 0.0)
            self.fed = values[letter] if self.e_absolute else self.fed
        if not self.homed:
            self.alarm(f"line {number} moves without knowing where the head is")
        if fed and self.motion == 0:
            self.alarm(f"line {number} feeds filament in a rapid move")
        if fed > 0 and self.machine.heats:
            lowest = self.machine.material["temperature"]["nozzle_min"]
            if self.actual["nozzle"] < lowest:
                self.alarm(f"cold filament in line {number}")
            if new != self.place and self.actual["platform"] < 30:
                self.alarm(f"cold platform in line {number}")
        self.go(new, fed, number)

    def go(self, new: list[float], fed: float, number: int) -> None:
        unit = 1.0 if self.machine.dialect["filament_unit"] == "mm3" else self.section
        plastic = fed * unit * self.flow
        segment = Segment(number, tuple(self.place), tuple(new), plastic, self.feed * self.speed)
        self.done.segments.append(segment)
        self.done.cooled += max(plastic, 0.0) if self.fan > 0 else 0.0
        self.place = new

    def close(self) -> None:
        heaters = {f"{k} heater": v for k, v in self.target.items() if v}
        self.done.left = {**heaters, **self.modes, "fan": self.fan, "kept": ",".join(sorted(self.kept))}
        if self.homed and not self.machine.strict:
            self.done.left["motors"] = "on"


def deposit(done: Outcome) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sample the beads: cell (column, row, level), volume in mm³ and line of each sample."""
    places, volumes, lines = [], [], []
    for part in done.segments:
        flat = math.hypot(part.end[0] - part.start[0], part.end[1] - part.start[1])
        if part.plastic <= 0 or flat < 1e-9:
            continue
        count = max(1, math.ceil(flat / (CELL / 2)))
        share = (np.arange(count) + 0.5)[:, None] / count
        places.append(np.array(part.start) + share * (np.array(part.end) - np.array(part.start)))
        volumes.append(np.full(count, part.plastic / count))
        lines.append(np.full(count, part.line))
    if not places:
        return np.zeros((0, 3), int), np.zeros(0), np.zeros(0, int)
    cells = np.floor(np.concatenate(places) / (CELL, CELL, RISE) + 0.25).astype(int)
    return cells, np.concatenate(volumes), np.concatenate(lines)


def difference(done: Outcome, clean: Outcome) -> float:
    """Volume in mm³ that is misplaced, missing or too much; a bead moved by under a cell counts little."""
    (one, v1, _), (two, v2, _) = deposit(done), deposit(clean)
    both = np.clip(np.concatenate([one, two]), -5, 2000)
    low, high = both.min(0) - 2, both.max(0) + 3
    if np.prod((high - low).astype(float)) > 3e7:
        return math.inf
    grid = np.zeros(high - low)
    np.add.at(grid, tuple((np.clip(one, -5, 2000) - low).T), v1)
    np.add.at(grid, tuple((np.clip(two, -5, 2000) - low).T), -v2)
    return float(np.abs(uniform_filter(grid, (3, 3, 1))).sum())


def crash(done: Outcome, volume: dict[str, list[float]]) -> str:
    """Run the nozzle over the growing print: below what stands there, below the platform, outside."""
    size = [int((volume[a][1] - volume[a][0]) / CELL) + 2 for a in "xy"]
    height = np.zeros(size)
    for part in done.segments:
        ends = np.array([part.start, part.end])
        for axis, name in enumerate("xyz"):
            low, high = volume[name]
            if part.end[axis] > high + 0.01 or part.end[axis] < (low if axis < 2 else 0.0) - 0.01:
                return f"line {part.line} leaves the volume in {name}"
        count = max(2, math.ceil(math.dist(ends[0][:2], ends[1][:2]) / (CELL / 2)) + 1)
        path = ends[0] + np.linspace(0, 1, count)[:, None] * (ends[1] - ends[0])
        cells = tuple(
            np.clip(((path[:, k] - volume["xy"[k]][0]) / CELL).astype(int), 0, size[k] - 1) for k in (0, 1)
        )
        if (height[cells] > path[:, 2] + 0.05).any():
            return f"line {part.line} runs through the print"
        if part.plastic > 0 and count > 2 or part.plastic > 0 and part.length > 0:
            height[cells] = np.maximum(height[cells], path[:, 2])
    return ""


READINGS = [
    {"delete": delete, "lone": lone, "ends": ends}
    for delete in (False, True)
    for lone in (False, True)
    for ends in (True, False)
]


def harm(machine: Machine, text: str, clean: Outcome) -> str:
    """Say what a program does that its clean original does not; empty where it does the same."""
    odd = "\n/" in text or "\r" in text.replace("\r\n", "") or re.search(r"\nM(2|30)\b.*\n\s*\S", text)
    for reading in READINGS if odd else READINGS[:1]:
        done = machine.run(text, **reading)
        if why := compare(machine, done, clean):
            return why
    return ""


def compare(machine: Machine, done: Outcome, clean: Outcome) -> str:
    """Compare two outcomes, worst first."""
    news = [a for a in done.alarms if a not in clean.alarms]
    if news:
        return news[0]
    if done.left != clean.left:
        return f"left behind: {done.left}"
    if done.waits > clean.waits + 120:
        return f"{done.waits:.0f} s of hot waiting"
    if not done.segments:
        return "nothing is made"
    if why := crash(done, machine.profile["volume"]):
        return why
    moved = difference(done, clean)
    if moved > 1.0:
        return f"{moved:.1f} mm3 of plastic elsewhere"
    still = [abs(s.plastic) for s in done.segments if s.length < 1e-9]
    usual = [abs(s.plastic) for s in clean.segments if s.length < 1e-9]
    if sum(still) > sum(usual) + 5:
        return "filament moved at rest"
    if abs(net_rest(done) - net_rest(clean)) > 1.0:
        return "filament drawn out and not returned"
    if abs(done.cooled - clean.cooled) > 0.2 * max(clean.cooled, 1.0):
        return "cooling is different"
    return times(machine, done, clean) or header(done, clean)


def net_rest(done: Outcome) -> float:
    """Volume in mm³ that is fed and drawn back at rest."""
    return sum(s.plastic for s in done.segments if s.length < 1e-9)


def times(machine: Machine, done: Outcome, clean: Outcome) -> str:
    """Judge feeds: crawling, faster than the axes, more than the hot end melts."""
    profile = machine.profile
    crawl = 0.0
    for part in done.segments:
        size = part.length or abs(part.plastic) / 2.4
        if part.feed <= 0 and size > 0 and part.plastic > 0:
            return f"no feed in line {part.line}"
        if part.feed <= 0:
            continue
        if size / part.feed > 20 and part.feed < 1:
            crawl += size / part.feed
        for axis, name in enumerate("xyz"):
            step = abs(part.end[axis] - part.start[axis])
            if part.length and step / part.length * part.feed > profile["axes"][name]["feed"] * 1.2:
                return f"too fast in line {part.line}"
        if (
            part.length > 1
            and part.plastic / part.length * part.feed > 1.25 * profile["hot_end"]["melt_rate"]
        ):
            return f"too much plastic in line {part.line}"
    if crawl > 60:
        return f"{crawl:.0f} s of crawling"
    laid = [sum(s.length / s.feed for s in one.segments if s.feed > 0) for one in (done, clean)]
    if abs(laid[0] - laid[1]) > 0.1 * laid[1]:
        return f"takes {laid[0]:.0f} s instead of {laid[1]:.0f}"
    return ""


def header(done: Outcome, clean: Outcome) -> str:
    """Judge what the header states against the clean one."""
    for key, values in done.stated.items():
        for value, true in zip(values, clean.stated.get(key, ()), strict=False):
            if abs(value - true) > 0.04 * max(abs(true), 1e-9):
                return f"the header states another {key}"
    return ""
