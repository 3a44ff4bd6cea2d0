"""Harmful kinds: lines of the start and finish blocks that are lost, hidden, moved or changed."""

from collections.abc import Callable
from random import Random

from tests.mutants.kinds import (
    BEAD,
    Place,
    all_like,
    drop,
    heats,
    hidden,
    kind,
    marks,
    own,
    relative,
    slashed,
    swapped,
)

# lines of start and finish


drop("no millimetres", "G21")
drop("no absolute places", "G90")
drop("no coordinate system", "G54")
drop("no feed mode", "G94")
drop("no plane", "G17")
drop("no cancel of cutter compensation", "G40")
drop("no cancel of the tool length", "G49")
drop("no homing", "G28")
drop("nobody waits for the nozzle", "M109")
drop("nobody waits for the platform", "M190")
drop("nozzle left on", "M104 S0")
drop("platform left on", "M140 S0")
drop("no end", "M2")
drop("no fan", r"M106 S|M8\b")
drop("no filament mode", "M83", need=lambda machine: relative(machine) or heats(machine))


@kind("no lift before parking")
def no_lift(lines, random, machine):
    at = all_like(lines, r"G1 Z\d+ .*lift clear")[0]
    return [*lines[:at], *lines[at + 1 :]], (at - 1, at + 1)


slashed("nozzle off behind a slash", "M104 S0")
slashed("platform off behind a slash", "M140 S0")
slashed("homing behind a slash", "G28")
slashed("the end behind a slash", "M2")
slashed("the lift behind a slash", r"G1 Z\d+ .*lift clear")


@kind("heater words as comments")
def commented(lines, random, machine):
    at = all_like(lines, "M104 S0|M140 S0")[random.randrange(2)]
    return [*lines[:at], ";" + lines[at], *lines[at + 1 :]], None


@kind("heating behind the end")
def heat_behind(lines, random, machine):
    heats(machine)
    return [*lines, "M104 S200"], (len(lines), len(lines))


@kind("a second program behind the end")
def second(lines, random, machine):
    return [*lines, *lines[all_like(lines, "G21")[0] :]], (len(lines), 2 * len(lines))


@kind("a lone CR ends a comment at the end")
def lone_end(lines, random, machine):
    heats(machine)
    at = all_like(lines, "M104 S0")[-1]
    return [*lines[:at], "; checked\r" + lines[at], *lines[at + 1 :]], (at, at)


# lines of start and finish that are changed

SWAPS = (
    ("inches at the start", "G21", "G21", "G20"),
    ("relative at the start", "G90", "G90", "G91"),
    ("another origin at the start", "G54", "G54", "G55"),
    ("reciprocal feeds at the start", "G94", "G94", "G93"),
    ("another plane at the start", "G17", "G17", "G18"),
    ("compensation at the start", "G40", "G40", "G41"),
    ("a tool length at the start", "G49", "G49", "G43 H1"),
    ("a cycle at the start", "G80", "G80", "G81 X9 Y9 Z1 R5"),
    ("homing of z only", "G28", "G28", "G28 Z0"),
    ("homing of x only", "G28", "G28", "G28 X0"),
    ("no homing but a second point", "G28", "G28", "G30"),
    ("a letter instead of zero at the start", "G90", "G90", "G9O"),
    ("a letter instead of one at the start", "G21", "G21", "G2l"),
    ("no wait for the nozzle, only its word", "M109", "M109", "M104"),
    ("no wait for the platform, only its word", "M190", "M190", "M140"),
    ("nozzle waits at a tenth", "M109", r"S\d+", "S20.5"),
    ("nozzle waits at three times", "M109", r"S\d+", "S615"),
    ("nozzle waits at 170", "M109", r"S\d+", "S170"),
    ("nozzle waits at 240", "M109", r"S\d+", "S240"),
    ("nozzle waits at nothing", "M109", r"S\d+", "S0"),
    ("nozzle waits without a number", "M109", r"S\d+", ""),
    ("nozzle waits with another letter", "M109", r"S(\d+)", r"P\1"),
    ("nozzle waits with a lost digit", "M109", r"S(\d)\d+", r"S\1"),
    ("nozzle waits for a second tool", "M109", "M109", "M109 T1"),
    ("platform waits at twice", "M190", r"S\d+", "S120"),
    ("platform waits at 20", "M190", r"S\d+", "S20"),
    ("platform waits at nothing", "M190", r"S\d+", "S0"),
    ("platform waits without a number", "M190", r"S\d+", ""),
    ("platform waits with another letter", "M190", r"S(\d+)", r"P\1"),
    ("platform waits with a digit too much", "M190", r"S(\d+)", r"S\g<1>0"),
    ("a wrong word instead of homing", "G28", "G28", "G29"),
    ("a wrong word instead of the filament mode", "M8[23]", "M8[23]", "M81"),
    ("an unknown word instead of the units", "G21", "G21", "G22"),
    ("an unknown word instead of the distances", "G90", "G90", "G900"),
    ("filament starts elsewhere in z", "G92", "G92", "G92 Z3"),
    ("filament starts elsewhere in x", "G92", "G92", "G92 X3"),
)
for _name, _pattern, _old, _new in SWAPS:
    swapped(_name, _pattern, _old, _new)
ENDS = (
    ("nozzle at 10 at the end", "M104 S0", "S0", "S10"),
    ("nozzle at 200 at the end", "M104 S0", "S0", "S200"),
    ("nozzle without a number at the end", "M104 S0", " S0", ""),
    ("nozzle by another letter at the end", "M104 S0", "S0", "P0"),
    ("nozzle of another tool at the end", "M104 S0", "S0", "S0 T1"),
    ("another word for the nozzle at the end", "M104 S0", "M104", "M105"),
    ("a letter instead of zero at the end", "M104 S0", "S0", "SO"),
    ("a letter in the nozzle's word", "M104 S0", "M104", "M1O4"),
    ("platform at 10 at the end", "M140 S0", "S0", "S10"),
    ("platform at 60 at the end", "M140 S0", "S0", "S60"),
    ("platform without a number at the end", "M140 S0", " S0", ""),
    ("platform by another letter at the end", "M140 S0", "S0", "P0"),
    ("another heater instead of the platform", "M140 S0", "M140", "M141"),
    ("the nozzle instead of the platform", "M140 S0", "M140", "M104"),
    ("the platform instead of the nozzle", "M104 S0", "M104", "M140"),
    ("a pause instead of the end", "M2", "M2", "M25"),
    ("a spindle instead of the end", "M2", "M2", "M3"),
    ("a letter instead of the end", "M2", "M2", "MZ"),
    ("the end as a comment", "M2", "M2.*", "; M2"),
    ("a lift to the platform", r"G1 Z\d+ .*lift clear", r"Z\d+", "Z0"),
    ("a lift the other way", r"G1 Z\d+ .*lift clear", r"Z(\d+)", r"Z-\1"),
    ("a lift out of the machine", r"G1 Z\d+ .*lift clear", r"Z(\d+)", r"Z\g<1>00"),
    ("a lift to a tenth", r"G1 Z\d+ .*lift clear", r"Z(\d+)", "Z1.8"),
    ("parking outside", r"G1 X\S+ .*park", r"Y(\d+)", r"Y\g<1>0"),
    ("parking in front", r"G1 X\S+ .*park", r"Y(\d+)", r"Y-\1"),
)
for _name, _pattern, _old, _new in ENDS:
    swapped(_name, _pattern, _old, _new, last=True)

LINES = {
    "units": "G21",
    "distances": "G90",
    "the filament mode": "M8[23]",
    "homing": "G28",
    "the wait for the nozzle": "M109",
    "the wait for the platform": "M190",
    "the plane": "G17",
    "the coordinate system": "G54",
    "the feed mode": "G94",
    "the tool length": "G49",
    "cutter compensation": "G40",
    "the fan": r"M106 S|M8\b",
    "the end": "M2",
    "nozzle off": "M104 S0",
    "platform off": "M140 S0",
    "the lift": r"G1 Z\d+ .*lift clear",
}
for _name, _pattern in LINES.items():
    hidden(f"{_name} turned into a comment", _pattern)
for _name in ("units", "distances", "the filament mode", "the wait for the nozzle", "the coordinate system"):
    slashed(f"{_name} behind a slash", LINES[_name])
slashed("a fan behind a slash", LINES["the fan"])


def moved_to(
    name: str, pattern: str, whither: Callable[[list[str], Random], int], *, last: bool = False
) -> None:
    """Move a line to another place."""

    @kind(name)
    def move(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        at = all_like(lines, pattern)[-1 if last else 0]
        rest = [*lines[:at], *lines[at + 1 :]]
        to = whither(rest, random)
        return [*rest[:to], lines[at], *rest[to:]], None


def within(lines: list[str], random: Random) -> int:
    return random.choice(marks(lines)[2:-2]) + 1


def behind_end(lines: list[str], random: Random) -> int:
    return all_like(lines, "M2")[-1] + 1


def behind_bead(lines: list[str], random: Random) -> int:
    return all_like(lines, BEAD.pattern)[3] + 1


for _name, _pattern in LINES.items():
    if _name in ("the wait for the nozzle", "the wait for the platform", "homing", "units", "distances"):
        moved_to(f"{_name} behind the first beads", _pattern, behind_bead)
    if _name in ("nozzle off", "platform off", "the end"):
        moved_to(f"{_name} moved to the middle", _pattern, within, last=True)
    if _name in ("nozzle off", "platform off", "the lift"):
        moved_to(f"{_name} behind the end", _pattern, behind_end, last=True)


@kind("two programs in one")
def joined(lines, random, machine):
    end = all_like(lines, "M2")[-1]
    return [*lines[:end], *lines], None


@kind("the start again in the middle")
def start_again(lines, random, machine):
    own(machine)
    first, at = all_like(lines, "G21")[0], within(lines, random)
    return [*lines[:at], *lines[first : marks(lines)[0]], *lines[at:]], (at, at + 12)


@kind("the finish in the middle")
def finish_early(lines, random, machine):
    first, at = all_like(lines, r"[;(] ?end")[-1], within(lines, random)
    return [*lines[:at], *lines[first + 1 :], *lines[at:]], (at, at + 9)


@kind("no start at all")
def no_start(lines, random, machine):
    return [*lines[: all_like(lines, "G21")[0]], *lines[marks(lines)[0] :]], None


@kind("nothing but the end behind the panel")
def no_finish(lines, random, machine):
    return [*lines[: all_like(lines, r"[;(] ?end")[-1]], "M2", ""], None


@kind("the fan at a tenth")
def fan_low(lines, random, machine):
    at = all_like(lines, "M106 S")[-1]
    return [*lines[:at], "M106 S25", *lines[at + 1 :]], None


@kind("the fan off by its own word")
def fan_zero(lines, random, machine):
    at = all_like(lines, "M106 S")[-1]
    return [*lines[:at], "M106 S0", *lines[at + 1 :]], None


@kind("the fan off early")
def fan_early(lines, random, machine):
    off = lines[all_like(lines, r"M107|M9\b")[-1]]
    layers = marks(lines)
    at = layers[random.randrange(4, len(layers) // 2)] + 1
    return [*lines[:at], off, *lines[at:]], (at, len(lines))


@kind("waits between layers lost")
def no_waits(lines, random, machine):
    waits = set(all_like(lines, r"G4\b"))
    return [line for i, line in enumerate(lines) if i not in waits], None
