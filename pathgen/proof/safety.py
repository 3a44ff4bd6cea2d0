"""The thermal-safety checklist: items checked in the program, and items for the operator.

A program heats metal to more than 200 °C, runs for hours and is often left alone. Some precautions can be
checked in the text of the program; the others concern the machine and the room. The list contains both.

The list is guidance based on common practice. More detailed documents are named by title and year.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pathgen.proof.checklist.findings import Checklist
from pathgen.proof.checklist.heat import IDLE
from pathgen.settings import Machine, Material

State = Literal["passed", "unknown", "failed", "not in the text", "to tick"]

MARGIN = 15.0  # °C between the lit panel and its glass transition; common practice
LAMP_GAP = 20.0  # mm, minimum distance from lamp to panel; common practice for strips and small modules
TOUCH = 45.0  # °C, maximum temperature of metal that is touched; from memory after ISO 13732-1

DISCLAIMER = (
    "This list is guidance. It does not replace your local codes, the machine maker's manual or licensed "
    "practice. A complete list does not make it safe to leave a machine alone."
)
GUIDANCE = (
    "NIOSH, Approaches to Safe 3D Printing (2023)",
    "ANSI/CAN/UL 2904, emissions of 3D printers (first published 2019)",
    "US EPA and US CPSC, public pages on 3D printing: particles, burns, electricity, children",
)

# Items checked in the text, each with the rules of the checklist that it depends on.
CHECKED = (
    ("nozzle temperature within the limits of machine and material", (201, 202)),
    ("platform temperature within the limits of machine and material", (203, 204)),
    ("no filament fed while the nozzle is cold", (205, 206, 207)),
    ("no filament fed while the platform is cold", (217, 218)),
    ("every heater turned off at the end", (208, 209)),
    (f"no wait longer than {IDLE:g} s with the heaters on", (210, 212)),
    ("heaters beyond the machine profile stay off", (211,)),
    ("fan off at the end", (214,)),
    ("motors released at the end", (215,)),
    ("program complete", (101, 104, 105, 111)),
    ("head inside the build volume and outside keep-out zones", (301, 302, 304, 306, 307, 308)),
    ("nozzle and head clear of the print", (601, 602)),
)
# Findings after which the state of the machine is unknown, so no item can pass.
UNKNOWN = (101, 102, 103, 105, 112, 113, 114, 115, 116)


@dataclass(frozen=True, slots=True)
class SafetyItem:
    """One item of the thermal-safety checklist, with its state."""

    text: str
    state: State

    def __str__(self) -> str:
        """Format the item with its state, or with a box for the operator to tick."""
        return f"[{' ' if self.state == 'to tick' else self.state}] {self.text}"


@dataclass(frozen=True, slots=True)
class SafetyList:
    """The thermal-safety checklist of one program.

    Attributes
    ----------
    checked : tuple of SafetyItem
        Items checked in the text; empty if no program was checked.
    open : tuple of SafetyItem
        Items for the operator to tick.
    """

    checked: tuple[SafetyItem, ...]
    open: tuple[SafetyItem, ...]

    def lines(self) -> list[str]:
        """Return the list as lines of text."""
        parts = ["Thermal safety"]
        if self.checked:
            parts += ["  checked in the program's text:", *(f"    {item}" for item in self.checked)]
        parts += ["  for you to tick before every run:", *(f"    {item}" for item in self.open)]
        parts += ["  further reading:", *(f"    {name}" for name in GUIDANCE), f"  {DISCLAIMER}"]
        return parts

    def as_dict(self) -> dict[str, object]:
        """Return the list as a dictionary for JSON."""
        return {
            "checked": [{"text": item.text, "state": item.state} for item in self.checked],
            "to_tick": [item.text for item in self.open],
            "guidance": list(GUIDANCE),
            "disclaimer": DISCLAIMER,
        }


def build_safety_list(machine: Machine, material: Material, checklist: Checklist | None = None) -> SafetyList:
    """Build the thermal-safety checklist of a program.

    Parameters
    ----------
    machine : Machine
    material : Material
    checklist : Checklist, optional
        Result of checking the program; without it, the list has only items to tick.

    Returns
    -------
    SafetyList

    Examples
    --------
    >>> from pathgen.settings import load_machine, load_material
    >>> listed = build_safety_list(load_machine("moving-table"), load_material("pla-white"))
    >>> print(listed.open[-3])
    [ ] lamp: LED only; no part of the lit panel above 43 °C (pla-white softens at 58 °C)
    """
    checked = () if checklist is None else tuple(_check_items(machine, checklist))
    return SafetyList(checked, tuple(SafetyItem(text, "to tick") for text in _open_items(machine, material)))


def _check_items(machine: Machine, checklist: Checklist) -> list[SafetyItem]:
    items = []
    for text, numbers in CHECKED:
        broken = [n for n in numbers if checklist.counts.get(n)]
        every = all if numbers == (208, 209) else any  # a heater that the program never sets may be on
        applied = every(checklist.checks[n] for n in numbers)
        if numbers == (210, 212):
            applied |= checklist.moves > 0  # a program without waits passes
        unseen = [n for n in (*UNKNOWN, 603) if checklist.counts.get(n) and (n != 603 or 601 in numbers)]
        passed: State = "unknown" if unseen else "passed"
        state: State = "failed" if broken else passed if applied else "not in the text"
        if broken:
            text += f" (rule {', '.join(map(str, broken))})"
        elif applied and unseen:
            text += f": some lines could not be followed (rule {', '.join(map(str, unseen))})"
        elif not applied and machine.dialect.heaters == "machine":
            text += ": temperatures are set at the machine"
        items.append(SafetyItem(text, state))
    return items


def _open_items(machine: Machine, material: Material) -> list[str]:
    heat = material.temperature
    lines = [
        "heater cut-off (thermal runaway protection) tested on this machine: it turns the heater off when a "
        "sensor comes loose",
        "smoke alarm in the room, tested; a mains switch within reach, away from the machine",
        "nothing flammable nearby: no paper, curtains, sprays or solvents; a hard, level base",
        "ventilation running, or the machine enclosed: melting plastic gives off fine particles and fumes",
        f"hot surfaces: nozzle up to {heat.nozzle_max:g} °C, platform up to {heat.platform_max:g} °C; wait "
        f"until both are below {TOUCH:g} °C before you touch them or remove the panel",
        "children and animals kept away while the machine is hot or moving",
        "mains leads, plugs and moving cables undamaged, not pinched, not warm",
        "first layer watched until it is complete; job stopped if it does not stick",
        "never left alone: somebody awake is within earshot as long as the machine is hot",
    ]
    if machine.dialect.heaters == "machine":
        lines.append(
            "heaters turned off by hand at the end: on this machine the program does not control them"
        )
    warmest = heat.glass_transition - MARGIN
    return [
        *lines,
        f"lamp: LED only; no part of the lit panel above {warmest:g} °C ({material.name} softens at "
        f"{heat.glass_transition:g} °C)",
        f"lamp: at least {LAMP_GAP:g} mm from the panel, with free air flow; lamp surface felt or measured "
        "after an hour of use",
        "lamp: a listed low-voltage supply; mains wiring to local code, by a licensed electrician",
    ]


def header_lines() -> list[str]:
    """Return the checklist for a program's header, as ASCII lines of up to 100 characters without `=`.

    Examples
    --------
    >>> all(line.isascii() and len(line) <= 100 and " = " not in line for line in header_lines())
    True
    """
    return [
        "Before the run: heater cut-off and smoke alarm tested, nothing flammable nearby, ventilation on.",
        "During the run: watch the first layer, do not leave it alone, keep children and animals away.",
        "After the run: heaters off, and no touching or removing the panel before all metal is cool.",
        "Lamp: LED only, panel well below its softening temperature, mains wiring by an electrician.",
        "This does not replace local codes, the machine maker's manual or licensed practice.",
    ]
