"""Harmful kinds: numbers, beads, runs and layers that are lost, changed or repeated."""

import re
from collections.abc import Callable
from random import Random

from tests.mutants.kinds import (
    LAYER,
    Place,
    all_like,
    amounts,
    any_bead,
    kind,
    letter,
    marks,
    own,
    relative,
    rewrite,
    run_of_beads,
    span_of_layer,
)

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


def on(name: str, change: Callable[[str, str, float], str], *, each: bool = False) -> None:
    """Change all moves from a layer on; `change` is given the line, the filament's letter and a share.

    The harm lies in `each` line, as that of a wrong feed, or begins with the first.
    """

    @kind(name)
    def go_on(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        layers = marks(lines)
        at, stop = layers[random.randrange(4, len(layers) - 6)], all_like(lines, r"[;(] ?end")[-1]
        share = random.random()
        out = [change(s, letter(machine), share) if s[:2] in ("G0", "G1") else s for s in lines[at:stop]]
        return [*lines[:at], *out, *lines[stop:]], (at, stop if each else at + 40)


def around(axis: str, factor: float) -> Callable[[str, str, float], str]:
    return lambda s, a, r: rewrite(s, axis, lambda v: 120 + factor * (v - 120))


on("mirrored in x from a layer on", around("X", -1))
on("mirrored in y from a layer on", around("Y", -1))
on("wider in x from a layer on", around("X", 1.2))
on("wider in y from a layer on", around("Y", 1.2))
on("narrower in x from a layer on", around("X", 0.8))
on("narrower in y from a layer on", around("Y", 0.8))
on("higher from a layer on", lambda s, a, r: rewrite(s, "Z", lambda v: 1.1 * v))
on("lower from a layer on", lambda s, a, r: rewrite(s, "Z", lambda v: 0.9 * v))
on("no lifts from a layer on", lambda s, a, r: re.sub(r" Z[\d.]+", "", s) if "X" in s or "Y" in s else "")
on("x and y exchanged from a layer on", lambda s, a, r: s.translate(str.maketrans("XY", "YX")))
on(
    "places in inches from a layer on",
    lambda s, a, r: rewrite(rewrite(s, "X", lambda v: v / 25.4), "Y", lambda v: v / 25.4),
)
on("whole millimetres from a layer on", lambda s, a, r: rewrite(rewrite(s, "X", round), "Y", round))
on(
    "no filament from a layer on",
    lambda s, a, r: re.sub(rf" {a}[-.\d]+", "", s) if "X" in s or "Y" in s else s,
)
on("no rapid moves from a layer on", lambda s, a, r: s.replace("G1", "G0"))
on("another letter of the filament from a layer on", lambda s, a, r: re.sub(rf"{a}(?=[-.\d])", "B", s))
on("x lost from a layer on", lambda s, a, r: re.sub(r" X[-.\d]+", "", s))
on("y lost from a layer on", lambda s, a, r: re.sub(r" Y[-.\d]+", "", s))
on("feeds ten times from a layer on", lambda s, a, r: rewrite(s, "F", lambda v: 10 * v), each=True)
on("feeds a tenth from a layer on", lambda s, a, r: rewrite(s, "F", lambda v: v / 10), each=True)
on("feeds in mm per second from a layer on", lambda s, a, r: rewrite(s, "F", lambda v: v / 60), each=True)
on("a place that wanders", lambda s, a, r: rewrite(s, "X", lambda v: v + 3 * ((v * 7.77 + r) % 1)))

for _count, _factor, _words in (
    (20, 0.0, "twenty lines without filament"),
    (20, 3.0, "twenty lines with three times of it"),
    (100, 0.5, "a hundred lines with half of it"),
    (100, 0.75, "a hundred lines with three quarters of it"),
    (100, 1.5, "a hundred lines with half of it more"),
    (200, 0.0, "two hundred lines without filament"),
    (200, 1.3, "two hundred lines with a third more"),
):
    amount(_words, _factor, _count)
amount_all("a third of the filament everywhere", 0.33)
amount_all("three quarters of the filament everywhere", 0.75)
amount_all("twice the filament everywhere", 2.0)
amount_all("the filament of 2.85 mm for 1.75 mm", 0.377)
amount_all("the filament of 1.75 mm for 2.85 mm", 2.652)
moved("shifted by a millimetre across and along", lambda n, r: (1.0, 1.0, 0.0))
moved("leaning to the other side", lambda n, r: (-0.5, 0.0, 0.0))
moved("leaning along", lambda n, r: (0.0, 0.7 * n, 0.0))
moved("leaning across and along", lambda n, r: (0.4 * n, 0.4 * n, 0.0))
moved("raised by a layer", lambda n, r: (0.0, 0.0, 0.2))
moved("lowered by a layer", lambda n, r: (0.0, 0.0, -0.2))
moved("raised more and more", lambda n, r: (0.0, 0.0, 0.05 * n))
moved("lowered more and more", lambda n, r: (0.0, 0.0, -0.05 * n))
moved("every second layer shifted", lambda n, r: (0.8 * (n % 2), 0.0, 0.0))
moved("outside the machine", lambda n, r: (500.0, 0.0, 0.0))
moved("raised and shifted", lambda n, r: (2.0, 0.0, 1.0))


def cut(name: str, low: float, high: float) -> None:
    """Leave out a part of the program, given by shares of its layers."""

    @kind(name)
    def leave(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        layers = [*marks(lines), all_like(lines, r"[;(] ?end")[-1]]
        first, last = (layers[int(share * (len(layers) - 1))] for share in (low, high))
        return [*lines[:first], *lines[last:]], (first, first + 12)


cut("the middle third left out", 0.33, 0.66)
cut("the first layers left out", 0.0, 0.2)
cut("the last layers left out", 0.8, 1.0)
cut("the first half left out", 0.0, 0.5)
cut("all layers left out", 0.0, 1.0)


@kind("layers in reverse order")
def reverse_layers(lines, random, machine):
    layers = [*marks(lines), all_like(lines, r"[;(] ?end")[-1]]
    parts = [lines[a:b] for a, b in zip(layers, layers[1:], strict=False)]
    middle = [line for part in reversed(parts) for line in part]
    return [*lines[: layers[0]], *middle, *lines[layers[-1] :]], None


@kind("a layer's lines in reverse order")
def reverse_lines(lines, random, machine):
    first, last = span_of_layer(lines, random)
    return [*lines[: first + 1], *reversed(lines[first + 1 : last]), *lines[last:]], (first, last)


@kind("the last layer made again")
def last_again(lines, random, machine):
    layers = [*marks(lines), all_like(lines, r"[;(] ?end")[-1]]
    return repeated(lines, layers[-2], layers[-1], 2, machine)


@kind("the first layer made again")
def first_again(lines, random, machine):
    layers = marks(lines)
    return repeated(lines, layers[0], layers[1], 2, machine)


@kind("an old layer made again")
def old_again(lines, random, machine):
    layers = marks(lines)
    first, last = span_of_layer(lines, random)
    at = layers[-2]
    if not relative(machine):
        raise LookupError("absolute filament")
    return [*lines[:at], *lines[first:last], *lines[at:]], (at, at + last - first + 2)


@kind("a bead ten times")
def bead_ten(lines, random, machine):
    at = any_bead(lines, random)
    back = re.sub(r" [EA][\d.]+", "", lines[at - 1])
    return repeated([*lines[: at + 1], back, *lines[at + 1 :]], at, at + 2, 10, machine)


@kind("filament given back twice")
def returned_twice(lines, random, machine):
    own(machine)
    if not relative(machine):
        raise LookupError("absolute filament")
    at = random.choice(all_like(lines, r"G1 E\d"))
    return [*lines[: at + 1], *[lines[at]] * 4, *lines[at + 1 :]], (at, at + 5)


@kind("filament drawn back four times")
def drawn_twice(lines, random, machine):
    own(machine)
    if not relative(machine):
        raise LookupError("absolute filament")
    at = random.choice(all_like(lines, r"G1 E-"))
    return [*lines[: at + 1], *[lines[at]] * 4, *lines[at + 1 :]], (at, at + 14)


@kind("nothing is given back any more")
def never_returned(lines, random, machine):
    own(machine)
    if not relative(machine):
        raise LookupError("absolute filament")
    found = all_like(lines, r"G1 E\d")
    return [line for i, line in enumerate(lines) if i not in set(found)], (found[0], found[0] + 40)


@kind("a block from another place")
def foreign_block(lines, random, machine):
    first, last = run_of_beads(lines, random, 40)
    start = marks(lines)[1]
    return [*lines[:first], *lines[start : start + 40], *lines[last + 1 :]], (first, last)


@kind("blocks of a disk exchanged")
def blocks_exchanged(lines, random, machine):
    first, last = run_of_beads(lines, random, 120)
    a, b = first + 40, first + 80
    return [*lines[:first], *lines[b : last + 1], *lines[a:b], *lines[first:a], *lines[last + 1 :]], (
        first,
        last,
    )


@kind("a copy that starts again in the middle")
def restarted(lines, random, machine):
    first, _ = run_of_beads(lines, random, 2)
    return [*lines[:first], *lines], (first - 2, first + 80)


@kind("every tenth line lost")
def tenth_lost(lines, random, machine):
    first, last = span_of_layer(lines, random)
    keep = [s for i, s in enumerate(lines) if not (first < i < last and i % 10 == 5)]
    return keep, (first, last)


@kind("no line ends in a layer")
def no_line_ends(lines, random, machine):
    first, last = span_of_layer(lines, random)
    return [*lines[: first + 1], "".join(lines[first + 1 : last]), *lines[last:]], (first, first + 2)


@kind("lone CRs at all line ends")
def lone_crs(lines, random, machine):
    first = all_like(lines, "G21")[0]
    return [*lines[:first], "\r".join(lines[first:])], None
