"""Seeded faults: one rule each, put into good programs. An edit gives the lines and where the fault is found.

The commands M104, M109, M140, M190, M106, M107, M84, M204, M141 mean what open controllers take them for
(common practice); G4 is in seconds by NISTIR 6556 3.5.4; G0 or G1 without an axis word is an error by 3.5.1
and 3.5.2; line rules are those of 3.3.
"""

import re

OWN = ("moving-table", "moving-gantry", "long-tube")  # filament has a letter of its own
HEATS = ("moving-table", "moving-gantry")  # the program sets temperatures, filament counts relatively
STRICT = ("ngc-lab",)
ALL = (*OWN, *STRICT)


def place(lines, pattern, nth=0):
    """Index of the nth line that matches, from the end where nth is below 0."""
    return [i for i, line in enumerate(lines) if re.match(pattern, line)][nth]


def middle(lines):
    """Index of a bead that lies in the middle of a layer halfway up."""
    layers = [i for i, line in enumerate(lines) if re.match(r"[;(] ?layer ", line)]
    start = layers[len(layers) // 2]
    return (
        start
        + 4
        + next(i for i, line in enumerate(lines[start + 4 :]) if re.match(r"G1 X\S+ Y\S+ [EA]\d", line))
    )


def put(text, *, found=0, at=middle, more=()):
    """Insert lines before a place; the fault is found `found` lines behind the first of them."""

    def edit(lines):
        i = at(lines)
        return [*lines[:i], text, *more, *lines[i:]], i + found

    return edit


def behind(pattern, text, nth=0):
    return put(text, at=lambda lines: place(lines, pattern, nth) + 1)


def drop(pattern, found=None, nth=0):
    """Leave a line out; the fault is found in the first line that matches `found`, from there on."""

    def edit(lines):
        i = place(lines, pattern, nth)
        rest = [*lines[:i], *lines[i + 1 :]]
        return rest, None if found is None else found(rest)

    return edit


def swap(pattern, old, new, nth=0):
    def edit(lines):
        i = place(lines, pattern, nth)
        changed = re.sub(old, new, lines[i])
        assert changed != lines[i]
        return [*lines[:i], changed, *lines[i + 1 :]], i

    return edit


def swap_middle(old, new):
    def edit(lines):
        i = middle(lines)
        changed = re.sub(old, new, lines[i])
        assert changed != lines[i]
        return [*lines[:i], changed, *lines[i + 1 :]], i

    return edit


def scale(letter, factor, *, found=None):
    """Multiply every word of a letter behind the first layer's mark, retractions aside."""

    def edit(lines):
        at = place(lines, r"[;(] ?layer 2/")

        def times(word):
            value = float(word[1])
            return word[0] if value < 0 or abs(value) in (4.0, 0.8) else f"{letter}{value * factor:.5f}"

        rest = [re.sub(rf"{letter}(-?[\d.]+)", times, line) for line in lines[at:]]
        return [*lines[:at], *rest], found(lines) if found else None

    return edit


def cut(lines):
    stop = len(lines) // 2
    return lines[:stop], stop - 1


def bare_feeds(lines):
    at = place(lines, "G21")
    out = [*lines[:at], *(re.sub(r" F[\d.]+", "", line) for line in lines[at:])]
    return out, first_feed(out)


def without_layer(lines):
    """Leave a layer out; the next one shows it."""
    layers = [i for i, line in enumerate(lines) if re.match(r"[;(] ?layer ", line)]
    a, b = layers[len(layers) // 2 : len(layers) // 2 + 2]
    return [*lines[:a], *lines[b:]], None


def headless(lines):
    return lines[place(lines, "G17|G21") :], None


def first_feed(lines):
    return place(lines, r"G1 .*[EA]0*\.?\d*[1-9]")


def first_motion(lines):
    return place(lines, r"G[01] ")


def parking(lines):
    return place(lines, r"G1 X\S+ Y\S+ .*park")


def second_layer(lines):
    at = place(lines, r"[;(] ?layer 2/")
    return at + place(lines[at:], r"G[01] ")


def last_line(lines):
    return len(lines) - 1


def low_bead(lines):
    """Bring the first layer down onto the platform; its first bead shows it."""
    i = place(lines, r"G0 Z0\.2")
    rest = [*lines[:i], lines[i].replace("Z0.2", "Z0.02"), *lines[i + 1 :]]
    return rest, i + next(k for k, line in enumerate(rest[i:]) if re.match(r"G1 [XY].*[EA]\d", line))


def lose_beads(lines):
    """Leave twenty lines out; the finding begins in the first line of their layer."""
    at = middle(lines)
    mark = max(i for i in range(at) if re.match(r".\s?layer \d", lines[i]))
    first = next(i for i in range(mark, at + 1) if re.match("G[01] ", lines[i]))
    return lines[:at] + lines[at + 20 :], first


def slow_layer(lines):
    """Print one layer at a tenth of its feeds."""
    layers = [i for i, line in enumerate(lines) if re.match(r"[;(] ?layer ", line)]
    a, b = layers[len(layers) // 2 : len(layers) // 2 + 2]
    part = [re.sub(r"F([\d.]+)", lambda m: f"F{float(m[1]) / 10:g}", line) for line in lines[a:b]]
    return [*lines[:a], part[0], "G1 F120", *part[1:], *lines[b:]], None


def many_waits(lines):
    """Wait 100 s at the start of five layers; the fourth wait passes the limit."""
    layers = [i for i, line in enumerate(lines) if re.match(r"[;(] ?layer ", line)][3:8]
    out = list(lines)
    for at in reversed(layers):
        out.insert(at + 1, "G4 S100")
    return out, layers[3] + 4


def layer_lines(lines):
    """Lines of a layer halfway up: of its mark, of all its beads, and of the next mark."""
    marks = [i for i, line in enumerate(lines) if re.match(r"[;(] ?layer ", line)]
    start, stop = marks[len(marks) // 2 : len(marks) // 2 + 2]
    beads = [i for i in range(start, stop) if re.match(r"G1 [XY].*[EA]\d", lines[i])]
    return start, beads, stop


def change_beads(change, count=50):
    """Change the filament of `count` lines in a row; a change to None leaves the word out."""

    def edit(lines):
        _, beads, _ = layer_lines(lines)
        first = len(beads) // 4
        out = list(lines)
        for i in beads[first : first + count]:
            word = re.search(r" E([\d.]+)", lines[i])
            new = "" if change is None else f" E{float(word[1]) * change:.5f}"
            out[i] = lines[i].replace(word[0], new)
        return out, beads[first]

    return edit


def repeat_layer(lines):
    start, beads, stop = layer_lines(lines)
    again = lines[start:stop]
    return [*lines[:stop], *again, *lines[stop:]], stop + beads[0] - start


def half_layer(lines):
    """Leave out the first half of a layer; the first bead that is left starts at a wrong place."""
    _, beads, _ = layer_lines(lines)
    middle = beads[len(beads) // 2]
    return [*lines[: beads[0]], *lines[middle:]], beads[0]


def shift_layers(axis, distance):
    """Shift all moves across the panel from a layer on; its first bead shows it."""

    def edit(lines):
        start, beads, _ = layer_lines(lines)

        def moved(line):
            return re.sub(rf"{axis}([\d.]+)", lambda word: f"{axis}{float(word[1]) + distance:.3f}", line)

        rest = [moved(line) if line.startswith("G") else line for line in lines[start:]]
        return [*lines[:start], *rest], beads[0]

    return edit


def lose_lift(lines):
    """Leave out the move up to a layer."""
    start, beads, _ = layer_lines(lines)
    lift = start + next(i for i, line in enumerate(lines[start:]) if re.match("G0 Z", line))
    return [*lines[:lift], *lines[lift + 1 :]], beads[0] - 1


def stray(axis, distance):
    """Change one coordinate of a bead in the middle of a layer."""

    def edit(lines):
        _, beads, _ = layer_lines(lines)
        at = next(i for i in beads[len(beads) // 2 :] if axis in lines[i])
        value = float(re.search(rf"{axis}([\d.]+)", lines[at])[1])
        return [
            *lines[:at],
            re.sub(rf"{axis}[\d.]+", f"{axis}{value + distance:g}", lines[at]),
            *lines[at + 1 :],
        ], at

    return edit


def headless_stray(lines):
    """Leave the header out, and change a coordinate of a bead by 40 mm."""
    lines, at = stray("X", 40.0)(lines)
    start = place(lines, "G17|G21")
    return lines[start:], at - start


FAULTS = [
    # the text
    ("two points in a number", 101, ALL, put("G1 X1..2")),
    ("a byte that is no text", 101, ALL, put("G1 X5 \x80")),
    ("a letter twice", 101, ALL, put("G1 X50 X60")),
    ("an expression", 101, ALL, put("G1 X[1+2]")),
    ("an unpaired bracket", 101, ALL, put("G1 X50 (half")),
    ("a G word nobody follows", 102, ALL, put("G29")),
    ("a heater word on a strict controller", 102, STRICT, put("M104 S200")),
    ("a word that is not declared", 103, OWN, put("M205 X10")),
    ("an override of the flow", 103, OWN, put("M221 S300")),
    ("a shift of the nozzle", 103, OWN, put("M290 Z-3")),
    ("cold feeding allowed", 103, OWN, put("M302 S0")),
    ("a number with an exponent", 101, OWN, put("G1 X1e2")),
    ("a letter that nothing uses", 101, ALL, put("G1 X60 S200")),
    ("a time that nothing uses", 101, ALL, put("G0 X60 P2")),
    ("a message", 103, OWN, put("M117 half way up")),
    ("half a file", 104, ALL, cut),
    ("words behind the end", 105, ALL, lambda lines: ([*lines, "; done", "G1 X5"], len(lines) + 1)),
    (
        "a second program behind the end",
        105,
        ALL,
        lambda lines: ([*lines, *lines], len(lines) + place(lines, "G17|G21")),
    ),
    ("an end halfway", 105, ALL, put("M2", found=1)),
    ("a heater turned on behind the end", 105, HEATS, lambda lines: ([*lines, "M104 S200"], len(lines))),
    *(
        (f"the command {word}", 112, ALL, put(word))
        for word in (
            "G38.2 Z0 F100",
            "G30",
            "G81 X135 Y150 Z1 R50 F500",
            "G82",
            "G89",
            "G55",
            "G59.3",
            "G10 L2 P1 Z-5",
            "G43 H1",
            "G93",
            "G18",
            "G19",
            "G41",
            "G92.3",
            "M3 S10000",
            "M4",
            "M6",
            "M7",
            "M48",
            "M49",
        )
    ),
    ("a stored point", 112, STRICT, put("G28")),
    ("another tool", 113, ALL, put("T1")),
    ("a tool change", 113, ALL, put("M6 T2")),
    ("a heater that may be turned off", 114, ALL, put("/M104 S0")),
    ("homing that may happen", 114, ALL, put("/G28")),
    ("an end that may come", 114, ALL, put("/M2")),
    ("a move that may happen", 114, ALL, put("/ G0 Z1 F600")),
    ("a move behind a return", 115, OWN, put("; a remark\rG0 Z1 F600")),
    ("a heater behind a return", 115, ALL, put("(a remark\rM104 S0)")),
    ("a bracket that a return breaks", 115, ALL, put("(a remark\r)")),
    *(
        (f"no {word}", 116, STRICT, drop(word, first_motion))
        for word in ("G17", "G40", "G49", "G54", "G80", "G94")
    ),
    ("no units", 106, ALL, drop("G21", first_motion)),
    ("no distance mode", 107, ALL, drop("G90", first_motion)),
    ("no filament mode", 108, OWN, drop("M8[23]", first_feed)),
    ("the other filament mode", 108, HEATS, put("M82", at=lambda lines: place(lines, "M83") + 1)),
    ("a motion alone", 109, ALL, put("G1")),
    ("a feed alone on a strict controller", 109, STRICT, put("G1 F600")),
    ("a feed alone", 110, OWN, put("G1 F1200")),
    (
        "a blank fact",
        111,
        ALL,
        lambda lines: ([re.sub(r"(. time = |\(time = ).*?(\)?)$", r"\1\2", s) for s in lines], None),
    ),
    (
        "another width in the header",
        118,
        ALL,
        lambda lines: ([re.sub(r"(panel width = )[\d.]+", r"\g<1>11", s) for s in lines], None),
    ),
    # heat
    ("nozzle over the machine's limit", 201, HEATS, swap("M104 S2", r"S\d+", "S300")),
    ("nozzle over it, on a machine that heats by itself", 201, ("long-tube",), put("M104 S300")),
    ("nozzle over the material's limit", 202, HEATS, swap("M109", r"S\d+", "S235")),
    ("platform over the machine's limit", 203, HEATS, swap("M140 S6", r"S\d+", "S130")),
    ("platform over the material's limit", 204, HEATS, swap("M190", r"S\d+", "S75")),
    ("nobody waits for the nozzle", 205, HEATS, drop("M109", first_feed)),
    (
        "nozzle never set",
        205,
        HEATS,
        lambda lines: (kept := [s for s in lines if s[:4] not in ("M104", "M109")], first_feed(kept)),
    ),
    ("nozzle turned down", 206, HEATS, put("M104 S150", found=1)),
    ("nozzle turned off halfway", 206, HEATS, put("M104 S0", found=1)),
    ("nobody waits again", 207, HEATS, put("M104 S0", found=2, more=("M104 S205",))),
    ("nozzle left on", 208, HEATS, drop("M104 S0", lambda lines: place(lines, "M109"))),
    ("nozzle turned on by a program that never turns it off", 208, ("long-tube",), put("M104 S205")),
    ("platform left on", 209, HEATS, drop("M140 S0", lambda lines: place(lines, "M190"))),
    ("a long wait", 210, OWN, put("G4 S600")),
    ("a long wait in RS-274's own word", 210, STRICT, put("G4 P600")),
    ("two waits that add up", 210, HEATS, put("G4 S100", found=1, more=("G4 P100000",))),
    ("another heater", 211, OWN, put("M141 S60")),
    ("a stop with heaters on", 212, HEATS, put("M0")),
    ("a stop where the machine heats", 213, (*STRICT, "long-tube"), put("M0")),
    ("fan left on", 214, OWN, drop("M107", lambda lines: place(lines, "M106", -1), nth=-1)),
    ("fan relay left on", 214, STRICT, drop("M9", lambda lines: place(lines, "M8", -1), nth=-1)),
    ("a bare heater command", 216, HEATS, put("M104")),
    ("a bare wait", 216, HEATS, put("M190")),
    ("platform turned off halfway", 217, HEATS, put("M140 S0", found=1)),
    ("a wait for the platform to cool", 217, HEATS, put("M190 R30", found=1)),
    (
        "a wait for a cold platform",
        217,
        HEATS,
        lambda lines: (swap("M190", r"S\d+", "S30")(lines)[0], first_feed(lines)),
    ),
    ("nobody waits for the platform", 218, HEATS, drop("M190", first_feed)),
    (
        "another tool's heater turned off",
        208,
        HEATS,
        lambda lines: (put("T1")(lines)[0], place(lines, "M109")),
    ),
    ("no fan", 219, OWN, drop("M106", second_layer)),
    ("fan turned off halfway", 219, OWN, put("M107", found=1)),
    ("fan relay turned off halfway", 219, STRICT, put("M9", found=1)),
    ("no fan relay", 219, STRICT, drop("M8", second_layer)),
    ("motors left on", 215, OWN, drop("M84", last_line)),
    # place
    ("too far right", 301, ALL, put("G0 X999")),
    ("too far in front", 301, ALL, put("G0 Y-3")),
    ("too high", 301, ALL, put("G0 Z900")),
    ("below the platform", 302, ALL, put("G0 Z-1")),
    ("a bead on the platform", 303, ALL, low_bead),
    ("not homed", 306, OWN, drop("G28", first_motion)),
    ("z homed over the panel", 307, OWN, put("G28")),
    ("motors released halfway", 308, OWN, put("M84", found=1)),
    ("shifted axes", 309, ALL, put("G92 X100", at=lambda lines: place(lines, "[;(] ?layer 1/"))),
    ("axes shifted during the print", 311, ALL, put("G92 X100")),
    ("no lift before parking", 310, ALL, drop(r"G1 Z\d+ .*lift clear", parking)),
    # filament
    ("a retraction that is not fed back", 401, HEATS, put("G1 E-3 F1200", found=1)),
    ("a long retraction", 402, HEATS, put("G1 E-20 F1200", more=("G1 E20",))),
    ("a fifth too much", 403, HEATS, scale("E", 1.2)),
    ("twice too much", 404, HEATS, scale("E", 2.0)),
    ("half of it", 404, HEATS, scale("E", 0.5)),
    ("a lump", 405, HEATS, swap_middle(r"E[\d.]+", "E9")),
    (
        "a total that is wrong",
        406,
        ALL,
        lambda lines: ([re.sub(r"(. ?filament = )[\d.]+", r"\g<1>9.9", s) for s in lines], None),
    ),
    ("a lump at rest", 407, HEATS, put("G1 E30 F300")),
    ("a lump at the end", 407, HEATS, put("G1 E300 F300", at=lambda lines: place(lines, "M104 S0"))),
    ("a digit lost from x", 408, ALL, swap_middle(r"X(\d)\d", r"X\1")),
    ("fifty lines without filament", 409, HEATS, change_beads(None)),
    # motion
    ("too fast", 501, ALL, put("G0 X100 F60000")),
    ("too fast upward", 501, ALL, put("G0 Z100 F9000")),
    ("drive too fast", 502, HEATS, put("G1 E-2 F9000", more=("G1 E2 F1200",))),
    ("more than the hot end melts", 503, HEATS, put("G1 X150 E4 F6000")),
    ("a bead with a rapid", 101, STRICT, swap_middle("G1", "G0")),
    ("no feed", 504, ALL, bare_feeds),
    ("a jerky start", 506, OWN, put("M204 S90000")),
    ("the same, of one axis", 506, OWN, put("M201 Z9000")),
    # the head's way, and the panel
    ("a plunge of two lines", 601, ALL, put("G0 Z0.4", more=("G0 Z9",))),
    ("through the panel", 601, ALL, put("G0 Z0.4", more=("G0 X0",))),
    ("twice as high", 701, ALL, scale("Z", 2.0)),
    ("a layer twice", 710, HEATS, repeat_layer),
    ("fifty lines with twice the filament", 711, HEATS, change_beads(2.0)),
    ("fifty lines with half the filament", 714, HEATS, change_beads(0.5)),
    ("a coordinate 9 mm off, on a panel along y", 712, ("moving-table",), stray("X", -9.0)),
    ("a coordinate 9 mm off, on a panel along x", 712, ("moving-gantry",), stray("Y", 9.0)),
    ("layers shifted by 0.3 mm", 713, ("moving-table",), shift_layers("X", 0.3)),
    ("layers shifted by 3 mm", 713, ("moving-gantry", *STRICT), shift_layers("Y", -3.0)),
    ("a lost lift", 715, ALL, lose_lift),
    ("twenty lines lost", 718, ALL, lose_beads),
    ("half a layer missing", 716, HEATS, half_layer),
    ("a coordinate 40 mm off, and no header", 717, HEATS, headless_stray),
    ("a layer less", 706, ALL, without_layer),
    (
        "a header that says nothing of use",
        707,
        ALL,
        lambda lines: ([re.sub(r"panel width = [\d.]+", "panel width = wide", s) for s in lines], None),
    ),
    ("no header", 708, ALL, headless),
    (
        "a header of another place",
        709,
        ALL,
        lambda lines: ([re.sub(r"(panel origin [xy] = )[\d.]+", r"\g<1>9", s) for s in lines], None),
    ),
    # times and totals
    ("a layer a tenth as fast", 801, ALL, slow_layer),
    (
        "half the lines of the header",
        802,
        ALL,
        lambda lines: ([re.sub(r"(moves = )\d+", r"\g<1>99", s) for s in lines], None),
    ),
    (
        "travels for minutes",
        803,
        ALL,
        lambda lines: (put("G0 X20 F300", more=("G0 X120", "G0 X20") * 10)(lines)[0], None),
    ),
    ("a crawl", 804, ALL, put("G0 X20 F6")),
    ("waits that add up over layers", 805, HEATS, many_waits),
    (
        "deposits elsewhere than the header states",
        806,
        ALL,
        lambda lines: ([re.sub(r"(deposit x = )[\d.]+", r"\g<1>3", s) for s in lines], None),
    ),
]
# A fault of all machines always runs on the strict one and on one other in turn, and on the rest when slow.
CASES = [
    (name, number, machine, edit, machines == ALL and machine not in (STRICT[0], OWN[place % len(OWN)]))
    for place, (name, number, machines, edit) in enumerate(FAULTS)
    for machine in machines
]
