"""Harmful kinds: words that a line brings in, loses or hides."""

import re

from tests.mutants.kinds import added, heats, kind, letter, marks, own, put, span_of_layer

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
    "relative places, with a blank": ("G9 1",),
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


# words that a controller of this or another kind carries out

EFFECTS = {
    **{f"coordinate system {code}": (code,) for code in "G56 G57 G58 G59 G59.1 G59.2".split()},
    "an origin in z at this place": ("G10 L20 P1 Z0",),
    "an origin in x": ("G10 L2 P1 X12.5",),
    "a tool that is longer": ("G10 L1 P1 Z5",),
    "a tool length in the line": ("G43.1 Z2",),
    "a tool length the other way": ("G44 H1",),
    "a stored point rewritten": ("G30.1",),
    "the home point rewritten": ("G28.1",),
    "a probe that stops silently": ("G38.3 Z0 F100",),
    "a probe away from the panel": ("G38.4 Z9 F100",),
    "a probe away, silently": ("G38.5 Z9 F100",),
    "a fast drilling cycle": ("G73 X135 Y120 Z1 R50 Q1 F500",),
    "a thread": ("G76 P1 Z-5 I-1 J0.5 R1 K2",),
    "a thread in step with a spindle": ("G33 Z1 K0.5",),
    "a cycle that bores back": ("G87 X135 Y120 Z1 R50 I1 J1 K1 F500",),
    "cutter compensation in the line": ("G41.1 D1.5",),
    "cutter compensation in the line, right": ("G42.1 D1.5",),
    "feeds per turn": ("G95",),
    "a constant speed of a surface": ("G96 S100",),
    "diameters": ("G7",),
    "centres as places": ("G90.1",),
    "a local origin": ("G52 X5",),
    "machine coordinates": ("G53 G0 X5 Y5 Z1",),
    "a scale": ("G51 X2 Y2",),
    "a mirror": ("G51.1 X0",),
    "a rotation": ("G68 X0 Y0 R90",),
    "a spline": ("G5 X100 Y100 I0 J3 P0 Q-3",),
    "a measurement of the platform": ("G29",),
    "a levelling by hand": ("G33",),
    "a wiping move": ("G12",),
    "a place that is stored": ("G60 S0",),
    "a shift of y": ("G92 Y-7",),
    "a shift to zero of all axes": ("G92 X0 Y0 Z0",),
    "a shift of x and y": ("G92 X20 Y20",),
    "z said to be zero": ("G92 Z0",),
    "outside, behind": ("G0 Y900",),
    "outside, in front": ("G0 Y-40",),
    "outside, slowly": ("G1 X900 F3000",),
    "outside at the corner": ("G0 X-5 Y-5",),
    "on the platform": ("G0 Z0",),
    "into the platform, slowly": ("G1 Z-0.5 F300",),
    "far below": ("G0 Z-50",),
    "far above, slowly": ("G1 Z2000 F600",),
    "down through the panel and back": ("G0 Z0.3", "G0 X10 Y10", "G0 Z50"),
    "a wait of an hour": ("G4 P3600000 S3600",),
    "the other end in the middle": ("M30",),
    "the end behind a number": ("N900 M2",),
    "mist": ("M7",),
    "no overrides": ("M49",),
    "a spindle at its angle": ("M19 R90",),
    "a tool in the line": ("M61 Q2",),
    "an output": ("M64 P1",),
    "an output in step": ("M62 P1",),
    "an output off": ("M65 P0",),
    "a wait for an input": ("M66 P0 L3 Q3600",),
    "an analogue output": ("M68 E0 Q5",),
    "a stored state": ("M70",),
    "a state that comes back": ("M72",),
    "a command of the user": ("M101",),
    "another command of the user": ("M199 P5",),
    "a subprogram": ("M98 P1000",),
    "a return": ("M99",),
    "a subprogram by name": ("o<lift> call",),
    "a loop": ("o100 while [1 LT 2]",),
    "a parameter that is set": ("#5221=5",),
    "an expression": ("G1 X[100+5]",),
    "a function": ("G1 X[SIN[30]]",),
    "a change of a number by name": ("#<_z> = 3",),
    "a line of the operating system": ("$X",),
    "a live command": ("!",),
    "a setting": ("$110=9000",),
    "a second percent sign": ("%",),
    "a word of a host": ("@pause",),
    "an external file": ("<other.ngc>",),
}
for _name, _texts in EFFECTS.items():
    put(_name, *_texts)

SETTINGS = {
    "filament diameter": ("M200 D2.85",),
    "steps of the filament drive": ("M92 E2000",),
    "steps of x": ("M92 X40",),
    "fast axes": ("M203 X9000 Y9000",),
    "filament drawn too hard": ("M203 E1",),
    "accelerations": ("M201 X90000 Y90000",),
    "sudden changes": ("M205 X90",),
    "an offset of home": ("M206 Z-3",),
    "an offset of home in x": ("M206 X10",),
    "an offset of the probe": ("M851 Z-2",),
    "an offset of a tool": ("M218 T1 X5",),
    "ends of axes off": ("M211 S0",),
    "switches off": ("M121",),
    "old settings": ("M501",),
    "settings of the maker": ("M502",),
    "settings stored": ("M500",),
    "a flow of a tenth": ("M221 S10",),
    "a flow of twice": ("M221 S200",),
    "a speed of a tenth": ("M220 S10",),
    "a speed of ten times": ("M220 S1000",),
    "motors off, by another word": ("M18",),
    "motors off after a while": ("M84 S5",),
    "x motor off": ("M84 X",),
    "z motor off": ("M18 Z",),
    "power off": ("M81",),
    "an emergency": ("M112",),
    "the controller starts again": ("M999",),
    "new firmware": ("M997",),
    "another file": ("M23 other.gco", "M24"),
    "another file from its start": ("M32 other.gco",),
    "a file that is written": ("M28 other.gco",),
    "a place in the file": ("M26 S0",),
    "a pin": ("M42 P8 S255",),
    "a pin of a heater": ("M42 P10 S255",),
    "a servo": ("M280 P0 S90",),
    "the probe goes down": ("M401",),
    "a heater that learns": ("M303 E0 S200 C8",),
    "the control of a heater": ("M301 P500 I50 D0",),
    "the control of the platform": ("M304 P500 I50 D0",),
    "temperatures in Fahrenheit": ("M149 F",),
    "temperatures in kelvin": ("M149 K",),
    "filament changed": ("M702",),
    "filament loaded": ("M701",),
    "microsteps": ("M350 X1 Y1",),
    "motor current": ("M906 X2000",),
    "motor current of z": ("M907 Z50",),
    "a lead of the drive": ("M900 K2",),
    "another lead": ("M572 D0 S1",),
    "retraction by the controller": ("G10",),
    "a return by the controller": ("G11",),
    "retraction in all moves": ("M209 S1", "M207 S20"),
    "two heads": ("M605 S2",),
    "levelling off": ("M420 S0",),
    "a skew": ("M852 I0.1",),
    "a mixture": ("M165 A0.5 B0.5",),
    "a sensor of width": ("M405",),
    "a shape of motion": ("M593 F10",),
    "an offset with the print going on": ("M290 X2",),
    "an offset of the first layer": ("M290 Z0.5",),
    "another tool, and its filament": ("T1", "G1 E20 F300"),
    "a third tool": ("T2",),
    "another tool for one bead": ("T1", "G1 X120 E1 F900", "T0"),
    "a lump of thirty": ("G1 E30 F300",),
    "a lump of a hundred": ("G1 E100 F120",),
    "filament drawn out by sixty": ("G1 E-60 F1500",),
    "filament pushed out fast": ("G1 E80 F9000",),
    "a wipe over the panel": ("G1 E40 X100 Y100 F900",),
}
for _name, _texts in SETTINGS.items():
    put(_name, *_texts, need=own)

WARM = {
    "nozzle above the material": ("M104 S235",),
    "nozzle above the machine": ("M104 S270",),
    "nozzle too hot, with a blank in the command": ("M1 04 S300",),
    "platform too hot, with a blank in the number": ("M140 S1 50",),
    "nozzle at a thousand": ("M109 S1000",),
    "nozzle at two thousand": ("M104 S2050",),
    "nozzle below zero": ("M104 S-200",),
    "nozzle at room temperature": ("M104 S20",),
    "nozzle just too cold": ("M104 S175",),
    "nozzle off, and a wait": ("M109 S0",),
    "nozzle off by the other letter": ("M109 R0",),
    "nozzle cooled down to a tenth": ("M109 R20.5",),
    "nozzle off and on without a wait": ("M104 S0", "G4 S60", "M104 S205"),
    "platform above the material": ("M140 S75",),
    "platform above the machine": ("M140 S140",),
    "platform at six hundred": ("M190 S600",),
    "platform at a tenth": ("M140 S6",),
    "platform off, and a wait": ("M190 S0",),
    "platform cooled down": ("M190 R20",),
    "platform below zero": ("M140 S-60",),
    "a bare wait": ("M109",),
    "a bare word of the platform": ("M140",),
    "a bare wait for the platform": ("M190",),
    "a chamber that waits": ("M191 S60",),
    "a laser": ("M3 I S255",),
    "a heater of the second tool": ("M104 T1 S205",),
    "a wait for the second tool": ("M109 T1 S205",),
    "a heater of the fourth tool": ("M104 S205 T3",),
    "a cooler": ("M143 S-10",),
    "a nozzle word with two values": ("M104 S205 S300",),
    "a nozzle word with letters": ("M104 SFULL",),
    "nozzle off by the second command": ("G4 S1", "M104 S0"),
    "nozzle hot by P": ("M104 P205",),
    "a guard of the heater off": ("M302 P1",),
}
for _name, _texts in WARM.items():
    put(_name, *_texts, need=heats)

# the same harm in other letters

SPELLINGS = {
    "in small letters": str.lower,
    "with blanks": lambda text: re.sub(r"([A-Z])(?=[-\d])", r"\1 ", text),
    "without blanks": lambda text: text.replace(" ", ""),
    "with a line number": lambda text: f"N120 {text}",
    "with a comment in front": lambda text: f"(checked) {text}",
    "with a comment behind": lambda text: f"{text} ; checked",
    "with tabs": lambda text: "\t" + text.replace(" ", "\t"),
}
SPELLED = {
    "a probe": "G38.2 Z0 F100",
    "a cycle": "G81 X135 Y120 Z1 R50 F500",
    "another origin": "G55",
    "a plunge": "G0 Z0.1",
    "the end": "M2",
    "a spindle": "M3 S10000",
    "a shift of z": "G92 Z50",
    "relative places": "G91",
}
for _name, _text in SPELLED.items():
    for _how, _spell in SPELLINGS.items():
        put(f"{_name}, {_how}", _spell(_text))
for _how, _spell in SPELLINGS.items():
    put(f"nozzle off, {_how}", _spell("M104 S0"), need=heats)
    put(f"platform too hot, {_how}", _spell("M140 S150"), need=heats)
    put(f"a lump, {_how}", _spell("G1 E300 F300"), need=own)

# words in the line of a bead

for _text in ("G20", "G91", "G55", "G18", "G93", "G41", "G43 H1", "M2", "M3 S900", "M6 T2", "T1", "G92 Z9"):
    added(f"{_text} in the line of a bead", _text)
for _text in ("M104 S0", "M104 S300", "M140 S0", "M140 S150", "M109 S0"):
    added(f"{_text} in the line of a bead", _text, need=heats)
    added(f"{_text} in front of a bead", _text, front=True, need=heats)
for _text in ("G20", "G91", "G55", "M2", "G28", "G53"):
    added(f"{_text} in front of a bead", _text, front=True)
for _text in (
    "Z0.1",
    "B5",
    "C90",
    "U3",
    "H1",
    "D2",
    "X",
    "X1.2.3",
    "*",
    "&",
    "?",
    "\\",
    "'",
    "=5",
    "Z--3",
    "Z0,5",
):
    added(f"{_text} behind a bead", _text)
