"""Harmless kinds: other spellings of one program."""

import re
from collections.abc import Callable
from random import Random

from tests.mutants.kinds import (
    HARMLESS,
    NUMBER,
    Place,
    all_like,
    any_bead,
    heats,
    kind,
    letter,
    marks,
    own,
    put,
    relative,
    strict,
)

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


everywhere("two leading zeros", lambda s, r: re.sub(r"^G([01])\b", r"G00\1", s))
everywhere("M with a leading zero", lambda s, r: re.sub(r"^M(\d)\b", r"M0\1", s))
everywhere("a plus sign before y", lambda s, r: re.sub(r" Y(?=\d)", " Y+", s))
everywhere("zeros in front of x", lambda s, r: re.sub(r" X(?=\d)", " X0", s))
everywhere("zeros behind the filament", lambda s, r: re.sub(r"( [EA]-?\d+\.\d+)", r"\g<1>00", s))
everywhere("zeros behind the feed", lambda s, r: re.sub(r"( F\d+)(?=$| )", r"\1.0", s))
everywhere("a blank after every letter", lambda s, r: re.sub(r"(?<= )([XYZF])(?=[\d.-])", r"\1 ", s))
everywhere("a comment in front of every line", lambda s, r: s if re.search("[;(]", s) else "(next) " + s)
everywhere("an empty comment behind every line", lambda s, r: s if re.search("[;(]", s) else s + " ;")
everywhere("an empty pair of brackets", lambda s, r: s if re.search("[;(]", s) else s + " ()")
everywhere(
    "a comment between words", lambda s, r: re.sub(r"^(G1)( X)", r"\1 (to)\2", s) if "(" not in s else s
)
everywhere("tabs in front", lambda s, r: "\t" + s)
everywhere("tabs behind", lambda s, r: s + "\t")
everywhere("feeds in front", lambda s, r: re.sub(r"^(G1) (.*) (F[\d.]+)$", r"\1 \3 \2", s))
everywhere("filament in front", lambda s, r: re.sub(r"^(G1) (X.*) ([EA][\d.]+)$", r"\1 \3 \2", s))
everywhere("comments of other words", lambda s, r: re.sub(r" ;.*$", " ; words of somebody else", s))
everywhere("small letters in commands", lambda s, r: re.sub(r"^([GM])(?=\d)", lambda m: m[0].lower(), s))
everywhere(
    "small axes", lambda s, r: s if re.search("[;(]", s) else re.sub(r" [XYZ]", lambda m: m[0].lower(), s)
)

inserted("two blank lines", "", "")
inserted("a line of blanks", "    ")
inserted("a tab alone", "\t")
inserted("an empty pair of brackets alone", "()")
inserted("a comment with a slash", "; G1/X100")
inserted("a comment of 200 letters", "; " + "a" * 200)
inserted("a comment with an end", "; M2")
inserted("a comment with two semicolons", ";; G28 ; M84")
inserted("brackets around a heater", "(M104 S0)")
inserted("G40 again", "G40")
inserted("G49 again", "G49")
inserted("G54 again", "G54")
inserted("G80 again", "G80")
inserted("two modes in one line", "G90 G21")
inserted("a short dwell", "G4 P0.1", need=strict)
inserted("a dwell of five seconds", "G4 S5", need=own)
inserted("a dwell in milliseconds", "G4 P400", need=own)
inserted("a dwell of nothing", "G4 P0")
inserted("nozzle a bit hotter", "M104 S210", need=heats)
inserted("nozzle a bit cooler", "M104 S200", need=heats)
inserted("platform a bit cooler", "M140 S55", need=heats)
inserted("waiting for a platform that is hot", "M190 S60", need=heats)
inserted("the filament mode again", "M83", need=lambda m: own(m) or heats(m))
inserted("a spindle that stops", "M5")
inserted("a line number alone", "N77")


@kind("line numbers that repeat", HARMLESS)
def numbered_again(lines, random, machine):
    return [f"N5 {s}" if s[:1] in "GM" else s for s in lines], None


@kind("line numbers with leading zeros", HARMLESS)
def numbered_zeros(lines, random, machine):
    return [f"N{i % 90000:05d} {s}" if s[:1] in "GM" else s for i, s in enumerate(lines)], None


@kind("small line numbers without blanks", HARMLESS)
def numbered_close(lines, random, machine):
    return [f"n{i % 90000}{s}" if s[:1] in "GM" else s for i, s in enumerate(lines)], None


@kind("a percent sign at the start", HARMLESS)
def percent_first(lines, random, machine):
    return ["%", *lines], None


@kind("blank lines at the end", HARMLESS)
def blank_end(lines, random, machine):
    return [*lines, "", "", "  "], None


@kind("a comment behind the end", HARMLESS)
def comment_end(lines, random, machine):
    return [*lines, "; made in the harbour museum"], None


@kind("blank lines at the start", HARMLESS)
def blank_start(lines, random, machine):
    return ["", "", *lines], None


@kind("a blank line behind every line", HARMLESS)
def blank_lines(lines, random, machine):
    return [text for line in lines for text in (line, "")], None


@kind("the other end word", HARMLESS)
def other_end(lines, random, machine):
    at = all_like(lines, "M2")[-1]
    return [*lines[:at], "M30", *lines[at + 1 :]], None


@kind("a tool that is there", HARMLESS)
def own_tool(lines, random, machine):
    own(machine)
    at = random.choice(marks(lines)[2:-2]) + 1
    return [*lines[:at], "T0", *lines[at:]], None


@kind("CR LF in some lines", HARMLESS)
def mixed_ends(lines, random, machine):
    return [s + "\r" if i % 3 == 0 else s for i, s in enumerate(lines)], None


@kind("no header", HARMLESS)
def no_header(lines, random, machine):
    return lines[all_like(lines, "G17|G21")[0] :], None


@kind("no comments", HARMLESS)
def no_comments(lines, random, machine):
    return [re.split(r" *[;(]", s)[0] for s in lines if s[:1] not in ";("], None
