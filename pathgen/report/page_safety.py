"""What a person sees to: before the machine runs, and once the panel is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pathgen.plan.model import Result
from pathgen.proof.checklist import Checklist, Finding, check_program
from pathgen.proof.safety import DISCLAIMER, GUIDANCE, MARGIN, build_safety_list
from pathgen.settings import Machine, Material

TO_TICK = "to tick"


@dataclass(frozen=True, slots=True)
class PageItem:
    """One thing of the safety checklist: what it is, and `state`, such as "holds" or "to tick"."""

    text: str
    state: str

    @property
    def open(self) -> bool:
        """A person has to see to it."""
        return self.state == TO_TICK


@dataclass(frozen=True, slots=True)
class BeforeRunning:
    """What has to be so before it runs.

    Attributes
    ----------
    items : list of Item
    guidance : list of str
        What they rest on.
    findings : list of str
        What the check of the text found, a line for each rule that does not hold.
    """

    items: list[PageItem]
    guidance: list[str]
    findings: list[str]


def list_before(
    machine: Machine, material: Material, program: Path, said: Sequence[tuple[str, str]] | None = None
) -> BeforeRunning:
    """Gather the thermal-safety checklist.

    Parameters
    ----------
    machine, material
    program : path
        Held against the rules that a program's text can prove.
    said : sequence of (text, state), optional
        The items, where the caller has them.

    Returns
    -------
    Before
    """
    findings: list[str] = []
    if said is None:
        checked = check_program(program, machine, material)
        findings = _found(checked)
        listed = build_safety_list(machine, material, checked)
        said = [(item.text, item.state) for item in listed.proven]
        said += [(item.text, TO_TICK) for item in listed.yours]
    return BeforeRunning([PageItem(*item) for item in said], [*GUIDANCE, DISCLAIMER], findings)


def _found(checked: Checklist) -> list[str]:
    """Word the findings, a line a rule: how often, where first, and what to do."""
    firsts: dict[int, Finding] = {}
    for finding in checked.findings:
        firsts.setdefault(finding.number, finding)
    lines = []
    for number, first in firsts.items():
        many = checked.counts[number]
        often = f", in {many:,} places" if many > 1 else ""
        said = f": {first.found}" if first.found else ""
        place = first.place if first.line else "the whole program"
        where = f" {'First in' if many > 1 else 'In'} {place}{said}."
        told = f"{first.level} {number}, {first.rule.title}{often}.{where} What to do: {first.rule.do}."
        lines.append(told[:1].upper() + told[1:])
    return lines


COOL = (
    "Leave panel and platform alone until both are cold to the hand. A thin wall that is pulled off warm "
    "bends for good; cold, it often lets go by itself."
)
BRIM = (
    "Take the panel off by its {brim} mm brim, not by the picture. Score the brim along the foot with a "
    "blade, always away from your hand, and snap it off; smooth the foot with fine paper."
)
LOOK = "Hold it to a window before anything else: what you see should be the predicted picture above."
LAMP = (
    "LED only, never a filament or halogen lamp. The lit panel stays under {warm:g}\u00a0°C, {margin:g} "
    "degrees under its glass transition, measured after an hour. Keep the lamp clear of the panel, its heat "
    "sink in free air. Low voltage from a listed supply; mains wiring is for a licensed electrician, by your "
    "local code."
)
KEEP = (
    "Away from stoves, heaters and a car in the sun: it softens near {softens:g}\u00a0°C. Dust it with a "
    "soft dry brush. What was broken off is small and sharp: not for children."
)


def after(result: Result) -> list[tuple[str, str]]:
    """Say what to do once the machine has stopped (common practice): heads and sentences, in order."""
    every = [part.planned for part in result.parts]
    softens = result.planned.setup.material.temperature.glass_transition
    steps = [("Let it cool", COOL)]
    removals = (
        each.supports.removal for each in every if each.supports is not None and each.supports.removal
    )
    steps += [("Supports", removal) for removal in dict.fromkeys(removals)]
    brims = sorted({each.setup.job.brim for each in every if each.setup.job.brim})
    if brims:
        steps.append(("Brim", BRIM.format(brim=" or ".join(f"{brim:g}" for brim in brims))))
    lamp = LAMP.format(warm=softens - MARGIN, margin=MARGIN)
    return [*steps, ("Look", LOOK), ("Lamp", lamp), ("Keep", KEEP.format(softens=softens))]
