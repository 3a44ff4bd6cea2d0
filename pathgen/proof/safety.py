"""The thermal-safety checklist: what the text proves, and what only a person can tick.

A program heats metal to 200 °C and more, runs half a day and is often left alone. Some of what keeps that
safe can be read from the program; the rest stands in the room. Both are listed, so that neither is forgotten.

The list is guidance after common practice. Where somebody has written more, it is named by title and year.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pathgen.proof.checklist.findings import Checklist
from pathgen.proof.checklist.heat import IDLE
from pathgen.settings import Machine, Material

State = Literal["holds", "holds as far as read", "falls short", "not in the text", "yours"]

MARGIN = 15.0  # °C that a lamp keeps the panel under its glass transition; common practice
LAMP_GAP = 20.0  # mm between lamp and panel, at least; common practice for strips and small modules
TOUCH = 45.0  # °C that hot metal is left to fall under before it is touched; from memory after ISO 13732-1

DISCLAIMER = (
    "This list is guidance. It does not replace your local codes, the machine maker's manual or licensed "
    "practice, and passing it does not make a machine safe to leave alone."
)
GUIDANCE = (
    "NIOSH, Approaches to Safe 3D Printing (2023)",
    "ANSI/CAN/UL 2904, emissions of 3D printers (first published 2019)",
    "US EPA and US CPSC, public pages on 3D printing: particles, burns, electricity, children",
)

# What the text proves: a line each, and the rules of the checklist that stand behind it.
PROVEN = (
    ("nozzle within the limits of machine and material", (201, 202)),
    ("platform within the limits of machine and material", (203, 204)),
    ("no filament fed cold", (205, 206, 207)),
    ("every heater turned off at the end", (208, 209)),
    (f"no hot wait over {IDLE:g} s", (210, 212)),
    ("no heater beyond those the profile knows", (211,)),
    ("fan off and motors released at the end", (214, 215)),
    ("the program is whole and ends", (101, 104, 111)),
    ("the head stays where it belongs", (301, 302, 304, 306, 307, 308)),
    ("nozzle and head clear of what is printed", (601, 602)),
)


@dataclass(frozen=True, slots=True)
class SafetyItem:
    """One line of the list."""

    text: str
    state: State

    def __str__(self) -> str:
        """Word it with its box."""
        return f"[{' ' if self.state == 'yours' else self.state}] {self.text}"


@dataclass(frozen=True, slots=True)
class SafetyList:
    """The thermal-safety checklist of one program.

    Attributes
    ----------
    proven : tuple of Item
        What the text shows; empty where no program was checked.
    yours : tuple of Item
        What only a person can tick.
    """

    proven: tuple[SafetyItem, ...]
    yours: tuple[SafetyItem, ...]

    def lines(self) -> list[str]:
        """Word it for people, a line each."""
        parts = ["Thermal safety"]
        if self.proven:
            parts += ["  from the program's text:", *(f"    {item}" for item in self.proven)]
        parts += ["  for you to tick, every time:", *(f"    {item}" for item in self.yours)]
        parts += ["  read on:", *(f"    {name}" for name in GUIDANCE), f"  {DISCLAIMER}"]
        return parts

    def as_dict(self) -> dict[str, object]:
        """Give it for JSON."""
        return {
            "proven": [{"text": item.text, "state": item.state} for item in self.proven],
            "yours": [item.text for item in self.yours],
            "guidance": list(GUIDANCE),
            "disclaimer": DISCLAIMER,
        }


def build_safety_list(machine: Machine, material: Material, checked: Checklist | None = None) -> SafetyList:
    """Make the thermal-safety checklist.

    Parameters
    ----------
    machine : Machine
    material : Material
    checked : Checklist, optional
        Of the program; without it there is only what a person ticks.

    Returns
    -------
    Safety

    Examples
    --------
    >>> from pathgen.settings import load_machine, load_material
    >>> listed = build_safety_list(load_machine("moving-table"), load_material("pla-white"))
    >>> print(listed.yours[-3])
    [ ] lamp: LED only, and no place of the lit panel over 43 °C (pla-white softens at 58 °C)
    """
    proven = () if checked is None else tuple(_proven(machine, checked))
    return SafetyList(proven, tuple(SafetyItem(text, "yours") for text in _yours(machine, material)))


def _proven(machine: Machine, checked: Checklist) -> list[SafetyItem]:
    items = []
    for text, numbers in PROVEN:
        broken = [n for n in numbers if checked.counts.get(n)]
        looked = any(checked.looked[n] for n in numbers)
        if numbers == (210, 212) and not broken:
            looked = checked.moves > 0  # no wait at all is no wait too long
        sure: State = "holds as far as read" if checked.counts.get(101) else "holds"
        state: State = "falls short" if broken else sure if looked else "not in the text"
        if broken:
            text += f" (see {', '.join(map(str, broken))})"
        elif not looked and machine.dialect.heaters == "machine":
            text += ": the machine heats by itself"
        items.append(SafetyItem(text, state))
    return items


def _yours(machine: Machine, material: Material) -> list[str]:
    heat = material.temperature
    lines = [
        "heater cut-off (thermal runaway) tested on this machine: it turns off when a sensor comes loose",
        "smoke alarm in the room, tested; a way to cut the mains within reach, away from the machine",
        "nothing flammable near: no paper, curtains, sprays or solvents; a hard, level stand",
        "ventilation running or the machine enclosed: melting plastic gives off fine particles and fumes",
        f"hot surfaces: nozzle up to {heat.nozzle_max:g} °C, platform up to {heat.platform_max:g} °C; wait "
        f"until both are under {TOUCH:g} °C before you touch them or take the panel off",
        "children and animals kept away while it is hot or moving",
        "mains leads, plugs and the moving cables whole, not pinched, not warm",
        "first layer watched to its end; stopped when it does not hold",
        "not left alone: somebody awake is within earshot for as long as it is hot",
    ]
    if machine.dialect.heaters == "machine":
        lines.append(
            "heaters turned off by hand at the end: this machine heats by itself, not by the program"
        )
    most = heat.glass_transition - MARGIN
    return [
        *lines,
        f"lamp: LED only, and no place of the lit panel over {most:g} °C ({material.name} softens at "
        f"{heat.glass_transition:g} °C)",
        f"lamp: at least {LAMP_GAP:g} mm from the panel, air can pass, and its surface was felt or measured "
        "after an hour",
        "lamp: a listed low-voltage supply; mains wiring by your local code and a licensed electrician",
    ]


def header_lines() -> list[str]:
    """Give the short form for a program's header: plain ASCII, no line over 100 characters, no facts.

    Examples
    --------
    >>> all(line.isascii() and len(line) <= 100 and " = " not in line for line in header_lines())
    True
    """
    return [
        "Before you start: heater cut-off and smoke alarm tested, nothing flammable near, air moving.",
        "While it runs: watch the first layer, do not leave it alone, keep children and animals away.",
        "After it: heaters off, wait until metal is cool before you touch it or take the panel off.",
        "Lamp: LED only, well under the temperature the plastic softens at, and mains by an electrician.",
        "This does not replace local codes, the machine maker's manual or licensed practice.",
    ]
