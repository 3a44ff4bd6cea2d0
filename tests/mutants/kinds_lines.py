"""Harmful kinds: numbers and letters of one line."""

import re
from collections.abc import Callable
from random import Random

from tests.mutants.kinds import NUMBER, Place, any_bead, kind, letter, span_of_layer

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


number("a digit doubled", "XY", lambda text, _: re.sub(r"\d(?=\.)", lambda m: m[0] * 2, text))
number("two digits exchanged", "XY", lambda text, _: re.sub(r"(\d)(\d)(?=\.)", r"\2\1", text))
number(
    "the first digit wrong", "XY", lambda text, r: re.sub(r"^\d", lambda m: str((int(m[0]) + 1) % 9), text)
)
number("the first digit lost", "XY", lambda text, _: text[1:])
number("the last digits lost", "XY", lambda text, _: text[:2] + "." if len(text.split(".")[0]) > 2 else None)
number("a point one place to the left", "XY", lambda text, _: f"{float(text) / 10:.3f}")
number("a point one place to the right", "XY", lambda text, _: f"{float(text) * 10:.3f}")
number("a place in inches", "XY", lambda text, _: f"{float(text) / 25.4:.4f}")
number("a place of zero", "XY", lambda text, _: "0")
number("a comma instead of a point", "XY", lambda text, _: text.replace(".", ",") if "." in text else None)
number("a blank inside", "XY", lambda text, _: text[:1] + " ." + text[1:])
number("a letter instead of a zero", "XY", lambda text, _: text.replace("0", "O") if "0" in text else None)
number("a letter instead of a one", "XY", lambda text, _: text.replace("1", "l") if "1" in text else None)
number("two points", "XY", lambda text, _: text + ".5" if "." in text else None)
number("two signs", "XY", lambda text, _: "--" + text)
number("an exponent behind", "XY", lambda text, _: text + "e2")
number("no number", "XY", lambda text, _: "nan")
number("an endless number", "XY", lambda text, _: "inf")
number("no digits", "XY", lambda text, _: "-")
number("a number in hexadecimal", "XY", lambda text, _: "0x" + text[:2])
number("a number by name", "XY", lambda text, _: "#101")
number("a number of forty digits", "XY", lambda text, _: "9" * 40)
number(
    "off by 30 to 60 mm", "XY", lambda text, r: f"{float(text) + r.choice((-1, 1)) * r.uniform(30, 60):.3f}"
)
number("off by 5 mm", "XY", lambda text, r: f"{float(text) + r.choice((-5, 5)):.3f}")
number("a sign of the filament", "E", lambda text, _: f"{-float(text) - 3:.5f}")
number("a hundred times the filament", "E", lambda text, _: f"{100 * float(text) + 3:.5f}")
number("twenty mm of filament more", "E", lambda text, _: f"{float(text) + 20:.5f}")
number("a digit in front of the filament", "E", lambda text, _: "9" + text)
number("filament in metres", "E", lambda text, _: f"{1000 * float(text):.3f}")
number("two points in the filament", "E", lambda text, _: text + ".1" if "." in text else None)
number("a letter in the filament", "E", lambda text, _: text.replace("0", "O") if "0" in text else None)
number("filament without a number", "E", lambda text, _: "-")
number("filament without end", "E", lambda text, _: "1" + "0" * 12)


def spoilt(name: str, change: Callable[[str, Random], str]) -> None:
    """Spoil the line of one bead."""

    @kind(name)
    def spoil(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        at = any_bead(lines, random)
        new = change(lines[at], random)
        if new == lines[at]:
            raise LookupError(name)
        return [*lines[:at], new, *lines[at + 1 :]], (at - 1, at + 1)


spoilt("the letter of x lost", lambda s, r: s.replace("X", "", 1))
spoilt("the letter of y lost", lambda s, r: s.replace("Y", "", 1))
spoilt("y under the name of z", lambda s, r: s.replace("Y", "Z", 1))
spoilt("x under the name of z", lambda s, r: s.replace("X", "Z", 1))
spoilt("y under the name of x", lambda s, r: s.replace("Y", "X", 1))
spoilt("filament under the name of z", lambda s, r: re.sub("[EA](?=[-.\\d])", "Z", s))
spoilt("filament under the name of f", lambda s, r: re.sub("[EA](?=[-.\\d])", "F", s))
spoilt("another letter of the command", lambda s, r: "M" + s[1:])
spoilt("an unknown letter", lambda s, r: s.replace("X", "Q", 1) if "X" in s else s.replace("Y", "Q", 1))
spoilt("an arc instead of a line", lambda s, r: s.replace("G1", "G2"))
spoilt("an arc with a radius of none", lambda s, r: s.replace("G1", "G3") + " R0.001")
spoilt("a dwell instead of a line", lambda s, r: s.replace("G1", "G4"))
spoilt("a home instead of a line", lambda s, r: s.replace("G1", "G28"))
spoilt("a shift instead of a line", lambda s, r: s.replace("G1", "G92"))
spoilt("eleven instead of one", lambda s, r: s.replace("G1", "G11"))
spoilt("the command lost but its letter", lambda s, r: s.replace("G1", "G"))
spoilt("a bit of a letter", lambda s, r: s.replace("X", "\x58".swapcase(), 1).replace("Y", "y\x19", 1))
spoilt("a control character", lambda s, r: s[:6] + "\x07" + s[6:])
spoilt("a byte of eight bits", lambda s, r: s[:6] + "\xb1" + s[6:])
spoilt("a zero byte", lambda s, r: s[:6] + "\x00" + s[6:])
spoilt("a blank that does not break", lambda s, r: s.replace(" ", "\xa0", 1))
spoilt("a bracket that opens", lambda s, r: s[:4] + "(" + s[4:])
spoilt("a bracket that closes", lambda s, r: s[:7] + ")" + s[7:])
spoilt("brackets in brackets", lambda s, r: s + " (a (b) c)")
spoilt("a tail of another line", lambda s, r: s + s[-6:])
spoilt("a line of words", lambda s, r: "the quick brown fox")
spoilt("a line of markup", lambda s, r: "<html>")
spoilt("a line of a table", lambda s, r: s.replace(" ", ","))
spoilt("a mark of a conflict", lambda s, r: "<<<<<<< HEAD")
spoilt("a line of three hundred letters", lambda s, r: s + " " + "X1" * 150)


def lifted(name: str, change: Callable[[float], float | str]) -> None:
    """Change the height of the first move upward of one layer."""

    @kind(name)
    def lift(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        first, last = span_of_layer(lines, random)
        found = [i for i in range(first, last) if re.match(r"G[01] .*Z", lines[i])]
        at = found[-1]  # the beads follow it
        new = re.sub(rf"Z{NUMBER}", lambda m: f"Z{change(float(m[1]))}", lines[at])
        return [*lines[:at], new, *lines[at + 1 :]], (at, last)


lifted("a layer a millimetre too high", lambda z: f"{z + 1:.3f}")
lifted("a layer five millimetres too high", lambda z: f"{z + 5:.3f}")
lifted("a layer half a height too high", lambda z: f"{z + 0.1:.3f}")
lifted("a layer half a height too low", lambda z: f"{z - 0.1:.3f}")
lifted("a layer two heights too low", lambda z: f"{z - 0.4:.3f}")
lifted("a layer at the platform", lambda z: "0")
lifted("a layer at the first height", lambda z: "0.2")
lifted("a layer below the platform", lambda z: f"{-z:.3f}")
lifted("a layer at ten times its height", lambda z: f"{10 * z:.3f}")
lifted("a layer at a tenth of its height", lambda z: f"{z / 10:.3f}")
lifted("a layer without its point", lambda z: f"{z:.3f}".replace(".", ""))
lifted("a layer with a letter in its height", lambda z: f"{z:.3f}".replace(".", "o"))
lifted("a layer in inches", lambda z: f"{z / 25.4:.3f}")


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


def fed(name: str, value: str) -> None:
    """Give one bead another feed; the next keeps it, as a modal word."""

    @kind(name)
    def feed(lines: list[str], random: Random, machine: dict) -> tuple[list[str], Place]:
        at = any_bead(lines, random)
        new = re.sub(r" F[\d.]+", "", lines[at]) + f" F{value}"
        return [*lines[:at], new, *lines[at + 1 :]], (at, at + 40)


fed("a feed of zero", "0")
fed("a feed below zero", "-1200")
fed("a feed without a number", "")
fed("a feed of a tenth of a millimetre", "0.1")
fed("a feed of twelve", "12")
fed("a feed of a hundred thousand", "100000")
fed("a feed of two thousand times", "2400000")
fed("a feed with two points", "12.0.0")
fed("a feed with a letter", "12OO")


@kind("no feed in the whole program")
def no_feed(lines, random, machine):
    return [re.sub(r" F[\d.]+", "", s) if s[:1] == "G" else s for s in lines], None
