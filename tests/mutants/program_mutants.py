"""Mutations of programs: what hands, disks, links and careless edits do to a text, seen from the machine.

A kind is a function of (lines, random generator, machine) that returns the new lines and the place of
the harm: the first and last index, or None where the program as a whole is concerned. It raises
`LookupError` where the program has no place for it. `HARMFUL` and `HARMLESS` list the kinds by name.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from random import Random

Place = tuple[int, int] | None
Kind = Callable[[list[str], Random, dict], tuple[list[str], Place]]
HARMFUL: dict[str, Kind] = {}
HARMLESS: dict[str, Kind] = {}

LAYER = re.compile(r"[;(] ?layer (\d+)/(\d+)")
BEAD = re.compile(r"G1 (?=.*[XY]).*[EA]\d")
NUMBER = r"(-?\d*\.?\d+)"


def kind(name: str, group: dict[str, Kind] = HARMFUL) -> Callable[[Kind], Kind]:
    def enter(function: Kind) -> Kind:
        assert name not in HARMFUL and name not in HARMLESS, name
        group[name] = function
        return function

    return enter


# places


def all_like(lines: list[str], pattern: str) -> list[int]:
    found = [i for i, line in enumerate(lines) if re.match(pattern, line)]
    if not found:
        raise LookupError(pattern)
    return found


def marks(lines: list[str]) -> list[int]:
    return [i for i, line in enumerate(lines) if LAYER.match(line)]


def any_bead(lines: list[str], random: Random) -> int:
    """A bead above the first layers that follows another bead."""
    start = marks(lines)[3]
    found = [i for i in range(start, len(lines)) if BEAD.match(lines[i]) and BEAD.match(lines[i - 1])]
    return random.choice(found)


def run_of_beads(lines: list[str], random: Random, count: int) -> tuple[int, int]:
    """The first and last line of a run of lines in the wall."""
    layers = marks(lines)
    start = random.randrange(layers[3], layers[-3] - count)
    return start, start + count - 1


def span_of_layer(lines: list[str], random: Random) -> tuple[int, int]:
    layers = marks(lines)
    at = random.randrange(4, len(layers) - 4)
    return layers[at], layers[at + 1]


def letter(machine: dict) -> str:
    return machine["dialect"]["extruder"]


def relative(machine: dict) -> bool:
    return machine["dialect"]["filament_mode"] == "relative"


def heats(machine: dict) -> None:
    if machine["dialect"]["heaters"] != "program":
        raise LookupError("the machine heats by itself")


def own(machine: dict) -> None:
    if letter(machine) == "A":
        raise LookupError("a strict controller")


def strict(machine: dict) -> None:
    if letter(machine) != "A":
        raise LookupError("not a strict controller")


def rewrite(line: str, name: str, change: Callable[[float], float]) -> str:
    return re.sub(rf"(?<![A-Za-z]){name}{NUMBER}", lambda m: f"{name}{change(float(m[1])):.5f}", line)


def amounts(lines: list[str], first: int, last: int, factor: float, machine: dict) -> list[str]:
    """Scale the filament of beads in a run of lines, in relative or absolute words."""
    out, name, fed, made = list(lines), letter(machine), 0.0, 0.0
    for i, line in enumerate(lines):
        found = re.search(rf"{name}{NUMBER}", line) if line[:1] == "G" else None
        if not found:
            continue
        value = float(found[1])
        if line.startswith("G92"):
            fed = made = value
            continue
        amount = value if relative(machine) else value - fed
        fed = value
        amount *= factor if first <= i <= last and amount > 0 else 1.0
        made += amount
        shown = amount if relative(machine) else made
        if amount == 0 and first <= i <= last and relative(machine):
            out[i] = re.sub(rf" {name}{NUMBER}", "", line)
        elif shown != value:
            out[i] = re.sub(rf"{name}{NUMBER}", f"{name}{shown:.5f}", line)
    return out


# one line put in


def put(name: str, *texts: str, group: dict[str, Kind] = HARMFUL, last: bool = False, need=None) -> None:
    """A line at a random place of the wall; `last`: in front of the finish; the harm begins in its line."""

    @kind(name, group)
    def put_in(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        if need:
            need(machine)
        at = all_like(lines, r"[;(] ?end")[-1] if last else random.choice([m + 1 for m in marks(lines)[2:-2]])
        return [*lines[:at], *texts, *lines[at:]], (at, at + len(texts) + 6)


ALIEN = {
    "a probe": ("G38.2 Z0 F100",),
    "a trip to the second stored point": ("G30",),
    "a drilling cycle": ("G81 X135 Y120 Z1 R50 F500",),
    "a cycle that pecks": ("G83 X135 Y120 Z1 R50 Q1 F500",),
    "a tapping cycle": ("G84 X135 Y120 Z1 R50 F500",),
    "a boring cycle": ("G85 X135 Y120 Z1 R50 F500",),
    "a cycle with a stop": ("G86 X135 Y120 Z1 R50 P1 F500",),
    "a cycle that dwells": ("G82 X135 Y120 Z1 R50 P1 F500",),
    "a cycle by hand": ("G88 X135 Y120 Z1 R50 P1 F500",),
    "a cycle that feeds out": ("G89 X135 Y120 Z1 R50 P1 F500",),
    "another coordinate system": ("G55",),
    "the ninth coordinate system": ("G59.3",),
    "an origin that is rewritten": ("G10 L2 P1 Z-5",),
    "a tool length": ("G43 H1",),
    "feeds as a reciprocal of time": ("G93",),
    "a spindle that starts": ("M3 S10000",),
    "a spindle that turns back": ("M4 S10000",),
    "a tool change": ("M6 T2",),
    "another plane": ("G18",),
    "a third plane": ("G19",),
    "cutter compensation": ("G41",),
    "cutter compensation to the right": ("G42 D1",),
    "old shifts that come back": ("G92.3",),
    "inches": ("G20",),
    "relative places": ("G91",),
    "homing over the panel": ("G28",),
    "the head at the platform": ("G0 Z0.1",),
    "a plunge and a way": ("G0 Z0.4", "G0 X100 Y100"),
    "outside": ("G0 X900",),
    "outside, to the left": ("G1 X-40 F3000",),
    "below": ("G0 Z-3",),
    "too high": ("G0 Z900",),
    "a shift of x": ("G92 X10",),
    "a shift of z": ("G92 Z50",),
    "the end in the middle": ("M2",),
    "a wait of ten minutes": ("G4 P600000 S600",),
    "a spoilt line": ("G1 X12\x01 Y5",),
    "a letter twice": ("G1 X100 X101",),
    "two motions in one line": ("G1 X100 G0 Y100",),
    "a number of a parameter": ("G1 X#5",),
    "an exponent": ("G1 X1e2 Y100",),
    "a bracket that stays open": ("G1 X100 (of",),
    "a lone CR in a comment": ("; checked\rG0 Z1 F600",),
}
for _name, _texts in ALIEN.items():
    put(_name, *_texts)

OWN = {
    "a lump at rest": ("G1 E300 F300",),
    "filament drawn out": ("G1 E-300 F1200",),
    "a height by hand": ("M290 Z-3",),
    "a flow of three times": ("M221 S300",),
    "a speed of five times": ("M220 S500",),
    "motors off": ("M84",),
    "jerks": ("M204 S90000",),
    "another tool": ("T1",),
}
for _name, _texts in OWN.items():
    put(_name, *_texts, need=own)
HEAT = {
    "nozzle too hot": ("M104 S300",),
    "platform too hot": ("M140 S150",),
    "nozzle off in the middle": ("M104 S0",),
    "nozzle turned down": ("M104 S140",),
    "platform off in the middle": ("M140 S0",),
    "a wait for a cold platform": ("M190 R30",),
    "a bare heater word": ("M104",),
    "a fifth heater": ("M141 S60",),
    "a tenth of the temperature": ("M109 S20.5",),
    "cold filament allowed": ("M302 S0",),
}
for _name, _texts in HEAT.items():
    put(_name, *_texts, need=heats)
put("another tool before the heaters go off", "T1", last=True, need=heats)


@kind("thirty pauses")
def thirty_pauses(lines, random, machine):
    wait = "G4 P100" if letter(machine) == "A" else "G4 S100"
    places = sorted(random.choices(marks(lines)[2:-2], k=30), reverse=True)
    out = list(lines)
    for at in places:
        out.insert(at + 1, wait)
    return out, (places[-1], len(out) - 1)


@kind("waits between all moves of a layer")
def waits_everywhere(lines, random, machine):
    first, last = span_of_layer(lines, random)
    wait = "G4 P60" if letter(machine) == "A" else "G4 S60"
    middle = [text for line in lines[first + 1 : last] for text in (line, wait)]
    return [*lines[: first + 1], *middle, *lines[last:]], (first, first + len(middle))


# lines of start and finish


def drop(name: str, pattern: str, *, last: bool = False, whole: bool = True, need=None) -> None:
    """Leave a line out; the harm begins with the first bead (`whole`: anywhere)."""

    @kind(name)
    def drop_it(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        if need:
            need(machine)
        at = all_like(lines, pattern)[-1 if last else 0]
        return [*lines[:at], *lines[at + 1 :]], None if whole else (at - 1, at + 1)


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


def slashed(name: str, pattern: str) -> None:
    @kind(name)
    def slash(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        at = all_like(lines, pattern)[-1]
        return [*lines[:at], "/" + lines[at], *lines[at + 1 :]], (at, at)


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


# numbers


def number(name: str, letters: str, change: Callable[[str, Random], str]) -> None:
    @kind(name)
    def change_number(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        for _ in range(50):
            at = any_bead(lines, random)
            word = random.choice(
                [a for a in letters.replace("E", letter(machine)) if a in lines[at][2:]] or "Q"
            )
            found = re.search(rf"{word}{NUMBER}", lines[at])
            new = found and change(found[1], random)
            if found and new not in (None, "", found[1]):
                return [*lines[:at], lines[at].replace(found[0], word + new, 1), *lines[at + 1 :]], (at, at)
        raise LookupError(name)


number("a digit lost", "XY", lambda text, _: re.sub(r"\d(?=\d*\.)", "", text, count=1))
number("a point lost", "XY", lambda text, _: text.replace(".", ""))
number("a sign too much", "XY", lambda text, _: "-" + text)
number("off by 8 to 20 mm", "XY", lambda text, r: f"{float(text) + r.choice((-1, 1)) * r.uniform(8, 20):.3f}")
number("a digit wrong", "XY", lambda text, r: re.sub(r"\d(?=\.)", lambda m: str((int(m[0]) + 5) % 10), text))
number("a point of the filament lost", "E", lambda text, _: text.replace(".", ""))
number("ten times the filament", "E", lambda text, _: f"{10 * float(text) + 3:.5f}")


@kind("x and y exchanged")
def exchanged(lines, random, machine):
    at = any_bead(lines, random)
    new = lines[at].translate(str.maketrans("XY", "YX"))
    return [*lines[:at], new, *lines[at + 1 :]], (at, at)


@kind("a feed of a millimetre a minute")
def crawl(lines, random, machine):
    at = any_bead(lines, random)
    line = re.sub(r" F[\d.]+", "", lines[at]) + " F1"
    back = [re.sub(r" F[\d.]+", "", lines[at + 1]) + " F1200", *lines[at + 2 :]]
    return [*lines[:at], line, *back], (at, at)


@kind("feeds a tenth over a layer")
def slow_layer(lines, random, machine):
    first, last = span_of_layer(lines, random)
    layer = [re.sub(r"F([\d.]+)", lambda m: f"F{float(m[1]) / 10:.0f}", s) for s in lines[first:last]]
    layer[1:1] = ["G1 F90"] if letter(machine) == "E" else []
    return [*lines[:first], *layer, *lines[last:]], (first, last)


@kind("feeds ten times over a layer")
def fast_layer(lines, random, machine):
    first, last = span_of_layer(lines, random)
    layer = [re.sub(r"F([\d.]+)", lambda m: f"F{float(m[1]) * 10:.0f}", s) for s in lines[first:last]]
    return [*lines[:first], *layer, *lines[last:]], (first, last)


# the whole wall


def moved(name: str, by: Callable[[int, Random], tuple[float, float, float]]) -> None:
    """Move everything from a layer on; `by` is called with the number of the layer above it."""

    @kind(name)
    def move(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        layers = marks(lines)
        at, stop = layers[random.randrange(5, len(layers) - 6)], all_like(lines, r"[;(] ?end")[-1]
        out, above, seed = list(lines), 0, random.random()
        for i in range(at, stop):
            above += bool(LAYER.match(lines[i]))
            if lines[i][:2] in ("G0", "G1"):
                for axis, step in zip("XYZ", by(above, Random(seed)), strict=True):
                    if step:
                        out[i] = rewrite(out[i], axis, lambda v, s=step: v + s)
        # Nothing moves before the first coordinate behind the mark.
        return out, (at, at + 12)


moved("shifted by a nozzle's width", lambda n, r: (r.uniform(0.3, 0.6), 0.0, 0.0))
moved("shifted across", lambda n, r: (r.choice((-1, 1)) * r.uniform(0.6, 30.0), 0.0, 0.0))
moved("shifted along", lambda n, r: (0.0, r.choice((-1, 1)) * r.uniform(1.5, 30.0), 0.0))
moved("leaning", lambda n, r: (0.6 * n, 0.0, 0.0))
moved("raised", lambda n, r: (0.0, 0.0, r.uniform(0.2, 3.0)))
moved("lowered", lambda n, r: (0.0, 0.0, -r.uniform(0.2, 1.0)))


@kind("everything too low")
def low(lines, random, machine):
    first, stop = marks(lines)[0], all_like(lines, r"[;(] ?end")[-1]
    body = [rewrite(s, "Z", lambda v: v - 0.17) if s[:1] == "G" else s for s in lines[first:stop]]
    return [*lines[:first], *body, *lines[stop:]], None


@kind("everything too high")
def high(lines, random, machine):
    first, stop = marks(lines)[0], all_like(lines, r"[;(] ?end")[-1]
    by = random.uniform(0.3, 5)
    body = [rewrite(s, "Z", lambda v: v + by) if s[:1] == "G" else s for s in lines[first:stop]]
    return [*lines[:first], *body, *lines[stop:]], None


@kind("a lift to the next layer lost")
def lost_lift(lines, random, machine):
    first, last = span_of_layer(lines, random)
    at = next(i for i in range(first, last) if re.match(r"G[01] .*Z", lines[i]))
    new = re.sub(r" Z[\d.]+", "", lines[at])
    return [*lines[:at], *([] if new in ("G0", "G1") else [new]), *lines[at + 1 :]], (first, last)


@kind("a layer left out")
def without_layer(lines, random, machine):
    first, last = span_of_layer(lines, random)
    return [*lines[:first], *lines[last:]], (first, first + 12)


@kind("half a layer left out")
def half_layer(lines, random, machine):
    first, last = span_of_layer(lines, random)
    middle = (first + last) // 2
    if relative(machine):
        return [*lines[:middle], *lines[last:]], (first, middle + 12)
    cut = amounts(lines, middle, last - 1, 0.0, machine)
    keep = [s for i, s in enumerate(cut) if not (middle <= i < last and s[:2] in ("G0", "G1"))]
    return keep, (first, middle + 12)


@kind("a layer made twice")
def layer_twice(lines, random, machine):
    return repeated(lines, *span_of_layer(lines, random), 2, machine)


@kind("a layer made six times")
def layer_six(lines, random, machine):
    return repeated(lines, *span_of_layer(lines, random), 6, machine)


@kind("a run made twice")
def run_twice(lines, random, machine):
    first, last = run_of_beads(lines, random, 30)
    return repeated(lines, first, last + 1, 2, machine)


def repeated(lines: list[str], first: int, last: int, times: int, machine: dict) -> tuple[list[str], Place]:
    if not relative(machine):
        raise LookupError("absolute filament feeds nothing when a line comes again")
    part = lines[first:last]
    return [*lines[:first], *(part * times), *lines[last:]], (last, first + times * len(part))


@kind("two layers exchanged")
def layers_exchanged(lines, random, machine):
    layers = marks(lines)
    at = random.randrange(4, len(layers) - 5)
    a, b, c = layers[at : at + 3]
    return [*lines[:a], *lines[b:c], *lines[a:b], *lines[c:]], (a, c)


@kind("a run left out")
def run_out(lines, random, machine):
    first, last = run_of_beads(lines, random, 40)
    return [*lines[:first], *lines[last + 1 :]], (first, first + 12)


def amount(name: str, factor: float, count: int) -> None:
    @kind(name)
    def change(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        first, last = run_of_beads(lines, random, count)
        return amounts(lines, first, last, factor, machine), (first, last)


amount("fifty lines without filament", 0.0, 50)
amount("fifty lines with half of it", 0.4, 50)
amount("fifty lines with twice of it", 2.0, 50)


def amount_all(name: str, factor: float) -> None:
    @kind(name)
    def change(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        return amounts(lines, 0, len(lines), factor, machine), None


amount_all("too little filament everywhere", 0.65)
amount_all("too much filament everywhere", 1.5)


@kind("the other filament mode")
def other_mode(lines, random, machine):
    own(machine)
    at = all_like(lines, "M8[23]")[0]
    other = "M82" if "M83" in lines[at] else "M83"
    return [*lines[:at], other, *lines[at + 1 :]], None


@kind("filament not returned")
def not_returned(lines, random, machine):
    own(machine)
    if not relative(machine):
        raise LookupError("absolute filament")
    at = random.choice(marks(lines)[3:-3]) + 1
    return [*lines[:at], "G1 E-3 F1200", *lines[at:]], (at, at + 12)


@kind("a filament word set anew")
def set_anew(lines, random, machine):
    if relative(machine):
        raise LookupError("relative filament")
    at = any_bead(lines, random)
    return [*lines[:at], f"G92 {letter(machine)}0", *lines[at:]], (at, at + 2)


@kind("beads in rapid moves")
def rapid(lines, random, machine):
    first, last = run_of_beads(lines, random, 30)
    return [*lines[:first], *(re.sub("^G1", "G0", s) for s in lines[first : last + 1]), *lines[last + 1 :]], (
        first,
        last,
    )


@kind("no layers any more")
def torn(lines, random, machine):
    at = random.randrange(marks(lines)[3], len(lines) - 12)
    return lines[:at], None


@kind("torn within a line")
def torn_line(lines, random, machine):
    at = any_bead(lines, random)
    return [*lines[:at], lines[at][: random.randrange(3, len(lines[at]))]], None


@kind("a line end lost")
def merged(lines, random, machine):
    at = any_bead(lines, random)
    return [*lines[: at - 1], lines[at - 1] + lines[at], *lines[at + 1 :]], (at - 1, at)


@kind("a line end lost behind a comment")
def swallowed(lines, random, machine):
    at = all_like(lines, r"M104 S0|M140 S0|M109|M190|G28|G90")
    at = at[random.randrange(len(at))]
    before = lines[at - 1] if re.search(r"[;]", lines[at - 1]) else lines[at - 1] + " ;"
    return [*lines[: at - 1], before + lines[at], *lines[at + 1 :]], None


@kind("a block of zeros")
def zeros(lines, random, machine):
    first, last = run_of_beads(lines, random, 20)
    return [*lines[:first], *["\x00" * len(s) for s in lines[first : last + 1]], *lines[last + 1 :]], (
        first,
        last,
    )


# the header


def stated(name: str, key: str, factor: float) -> None:
    @kind(name)
    def state(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        at = all_like(lines, rf"[;(] ?{key} = ")[0]
        new = re.sub(rf"({key} = ){NUMBER}", lambda m: f"{m[1]}{float(m[2]) * factor:.6g}", lines[at])
        return [*lines[:at], new, *lines[at + 1 :]], None


stated("the header states half the time", "time", 0.5)
stated("the header states twice the moves", "moves", 2)
stated("the header states half the filament", "filament", 0.5)
stated("the header states another width", "panel width", 1.5)
stated("the header states another height", "panel height", 0.7)
stated("the header states another diameter", "filament diameter", 1.6286)
stated("the header states another place", "panel origin x", 0.8)
stated("the header states another reach", "reach z", 3)


# harmless


def everywhere(name: str, change: Callable[[str, Random], str], code: bool = True) -> None:
    """Change the spelling of every line, or of lines with words only."""

    @kind(name, HARMLESS)
    def spell(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        return [change(s, random) if not code or s[:1] in "GM" else s for s in lines], None


everywhere("small letters", lambda s, r: re.split("[;(]", s)[0].lower() + s[len(re.split("[;(]", s)[0]) :])
everywhere("blanks in front", lambda s, r: "  " + s)
everywhere("blanks behind", lambda s, r: s + "   ")
everywhere("tabs between words", lambda s, r: s.replace(" ", "\t", 2))
everywhere("two blanks between words", lambda s, r: re.sub(r" (?=[XYZEAFS]\d)", "  ", s))
everywhere("no blanks between words", lambda s, r: re.sub(r" (?=[XYZEAF][\d.])", "", s))
everywhere("a leading zero", lambda s, r: re.sub(r"^G([01])\b", r"G0\1", s))
everywhere("a plus sign", lambda s, r: re.sub(r" X(?=\d)", " X+", s))
everywhere("trailing zeros", lambda s, r: re.sub(r"(X\d+\.\d+)", r"\g<1>0", s))
everywhere("a trailing point", lambda s, r: re.sub(r"(X\d+)(?= )", r"\1.", s))
everywhere("a leading zero less", lambda s, r: re.sub(r" E0\.", " E.", s))
everywhere("a comment behind every line", lambda s, r: s if re.search("[;(]", s) else s + " ; so far")
everywhere("brackets behind every line", lambda s, r: s if re.search("[;(]", s) else s + " (so far)")
everywhere("CR LF", lambda s, r: s + "\r", code=False)
everywhere("no comments behind words", lambda s, r: re.split(r" *[;(]", s)[0])


def inserted(name: str, *texts: str, need=None) -> None:
    put(name, *texts, group=HARMLESS, need=need)


inserted("a blank line", "")
inserted("a comment that shouts", "; M104 S300")
inserted("a comment in brackets", "(G0 X900)")
inserted("a semicolon alone", ";")
inserted("G90 again", "G90")
inserted("G21 again", "G21")
inserted("G94 again", "G94")
inserted("G17 again", "G17")
inserted("half a second of rest", "G4 P0.5", need=strict)
inserted("half a second", "G4 S0.5", need=own)
inserted("nozzle set again", "M104 S205", need=heats)
inserted("platform set again", "M140 S60", need=heats)
inserted("waiting for a nozzle that is hot", "M109 S205", need=heats)
inserted("a slash before a comment", "/; M104 S300")


@kind("line numbers", HARMLESS)
def numbered(lines, random, machine):
    return [f"N{i % 90000} {s}" if s[:1] in "GM" else s for i, s in enumerate(lines)], None


@kind("a percent sign on both ends", HARMLESS)
def percent(lines, random, machine):
    return ["%", *lines, "%"], None


@kind("words in another order", HARMLESS)
def another_order(lines, random, machine):
    return [re.sub(r"^(G1) (X\S+) (Y\S+)(.*)$", r"\1 \3 \2\4", s) for s in lines], None


@kind("a bead in two halves", HARMLESS)
def halves(lines, random, machine):
    pair = rf"G1 X{NUMBER} Y{NUMBER} {letter(machine)}{NUMBER}$"
    at = random.choice([i for i in all_like(lines, pair) if re.match(pair, lines[i - 1])])
    (x0, y0, e0), (x1, y1, e1) = (map(float, re.match(pair, lines[i]).groups()) for i in (at - 1, at))
    half = e1 / 2 if relative(machine) else (e0 + e1) / 2
    middle = f"G1 X{(x0 + x1) / 2:.4f} Y{(y0 + y1) / 2:.4f} {letter(machine)}{half:.6f}"
    rest = re.sub(r"[EA]\S+", f"{letter(machine)}{half:.6f}", lines[at]) if relative(machine) else lines[at]
    return [*lines[:at], middle, rest, *lines[at + 1 :]], None


@kind("no line end at the end", HARMLESS)
def no_line_end(lines, random, machine):
    return lines[:-1] if lines[-1] == "" else lines, None


@kind("the fan set again", HARMLESS)
def fan_again(lines, random, machine):
    fan = all_like(lines, r"M106 S|M8\b")[-1]
    at = random.choice([m + 1 for m in marks(lines)[3:-2]])
    return [*lines[:at], lines[fan], *lines[at:]], None


@kind("filament set to zero", HARMLESS)
def filament_zero(lines, random, machine):
    if not relative(machine):
        raise LookupError("absolute filament")
    at = any_bead(lines, random)
    return [*lines[:at], "G92 E0", *lines[at:]], None
