"""A slow, literal machine: it runs a program line by line and records what heaters, head and plastic do.

It shares no code with `pathgen/`: the reader is a regular expression. Words act as NISTIR 6556 (RS274/NGC,
1999) and the usage of open controllers describe them (common practice, no source). A stored value that the
program does not hold (coordinate system 2, tool 1, the G30 point) is taken as one that differs from the value
in force, because the program cannot know it. A word that is not modelled raises an alarm: it does something
else than print, or stops the controller.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

WORD = re.compile(r"([A-Z])\s*([+-]?(?:\d+\.?\d*|\.\d+))")
COMMENT = re.compile(r";.*|\([^()]*\)")
PLAIN = {
    *"G0 G1 G4 G17 G20 G21 G28 G40 G49 G54 G64 G80 G90 G91 G92 G92.1 G94 M2 M30 M5 M8 M9 M82 M83 M84".split(),
    *"M104 M109 M140 M190 M106 M107".split(),
}
KEPT = "G17 G21 G40 G49 G54 G80 G90 G94".split()  # modes that a strict controller keeps from the last program
STATED = re.compile(
    r"[;(] ?(panel (?:width|height|layers|origin [xy]|rotation)|filament diameter|time|moves|filament|"
    r"(?:deposit|reach) [xyz]|job layer) = ([-+\d.]*)(?: to ([-+\d.]+))?"
)
LEAD = re.compile(r"[;(] ?job lead = (?!off)")  # the program feeds filament ahead of the pressure's lag


@dataclass
class Segment:
    """A straight move of the nozzle, with the plastic it lays (mm³; negative: drawn back)."""

    line: int
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    plastic: float
    feed: float  # mm/s
    cooling: float = 0.0  # 0 to 1, the fan's power

    @property
    def length(self) -> float:
        return math.dist(self.start, self.end)

    @property
    def seconds(self) -> float:
        """Time at full feed; a move of filament alone takes its own length."""
        size = self.length or abs(self.plastic) / 2.4
        return size / self.feed if self.feed > 0 else 0.0


@dataclass
class Outcome:
    """What the machine did."""

    segments: list[Segment] = field(default_factory=list)
    alarms: list[str] = field(default_factory=list)
    waits: float = 0.0  # s, hot and idle
    cooled: float = 0.0  # mm³ laid with the fan on, weighted by its power
    leads: bool = False
    tau: float = 0.0  # s, the lag of pressure in the hot end
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
        done.leads, done.tau = bool(LEAD.search(text)), self.profile["hot_end"].get("lag", 0.0)
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
        self.fed, self.drawn, self.feed = 0.0, 0.0, 0.0  # filament word, all filament so far, feed
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
        if code not in PLAIN and (code != "G53" or any(self.shift)):
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
                letter = self.machine.dialect["extruder"]
                self.fed = values[letter] * self.scale if letter in values else self.fed
                if not values:  # all axes are set to zero
                    self.shift, self.fed = list(self.place), 0.0
            case "G92.1":
                self.shift = [0.0] * 3
                self.fed = self.drawn if self.machine.strict else self.fed
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
        if code[0] == "G" and code not in (*PLAIN, "G53"):
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
            size = values[letter] * self.scale
            fed = size - (self.fed if self.e_absolute else 0.0)
            self.fed = size if self.e_absolute else self.fed + size
            self.drawn += fed
        if not self.homed:
            self.alarm(f"line {number} moves without knowing where the head is")
        if fed and self.motion == 0 and self.machine.strict:  # others move with G0 as with G1
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
        plastic = fed * unit
        rapid = self.machine.strict and not self.motion  # F does not apply to it
        feed = self.rapid(new) if rapid else self.feed
        ends = tuple(self.place), tuple(new)
        self.done.segments.append(Segment(number, *ends, plastic, feed, self.fan / 255))
        self.done.cooled += max(plastic, 0.0) * self.fan / 255
        self.place = new

    def rapid(self, new: list[float]) -> float:
        """Return the speed of a rapid move: every axis keeps its limit."""
        length, axes = math.dist(self.place, new), self.machine.profile["axes"]
        steps = {a: abs(new[k] - self.place[k]) for k, a in enumerate("xyz")}
        return min([axes[a]["feed"] * length / step for a, step in steps.items() if step] or [1.0])

    def close(self) -> None:
        heaters = {f"{k} heater": v for k, v in self.target.items() if v}
        self.done.left = {**heaters, **self.modes, "fan": self.fan, "kept": ",".join(sorted(self.kept))}
        if self.homed and not self.machine.strict:
            self.done.left["motors"] = "on"
        self.done.left |= {f"shift of {a}": v for a, v in zip("xyz", self.shift, strict=True) if v}
