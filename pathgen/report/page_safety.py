"""Safety items, findings of the checklist, and instructions for the time after the print."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pathgen.program.result import Result
from pathgen.proof.checklist import Checklist, Finding, check_program
from pathgen.proof.safety import DISCLAIMER, GUIDANCE, MARGIN, SafetyItem, build_safety_list
from pathgen.settings import Machine, Material


@dataclass(frozen=True, slots=True)
class ChecksBeforeRunning:
    """Checks to complete before the program runs.

    Attributes
    ----------
    items : list of SafetyItem
        The thermal-safety checklist.
    guidance : list of str
        Documents, and a disclaimer.
    verdict : str
        Result of checking the program.
    findings : list of str
        Findings, one text per broken rule.
    """

    items: list[SafetyItem]
    guidance: list[str]
    verdict: str
    findings: list[str]


def list_checks(machine: Machine, material: Material, program: Path) -> ChecksBeforeRunning:
    """Check a program, and collect safety items and findings."""
    checklist = check_program(program, machine, material)
    safety = build_safety_list(machine, material, checklist)
    items, verdict = [*safety.checked, *safety.open], _capital(checklist.verdict)
    return ChecksBeforeRunning(items, [*GUIDANCE, DISCLAIMER], verdict, _describe_findings(checklist))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _describe_findings(checklist: Checklist) -> list[str]:
    """Return one text per broken rule: first finding, number of findings, and remedy."""
    firsts: dict[int, Finding] = {}
    for finding in checklist.findings:
        firsts.setdefault(finding.number, finding)
    lines = []
    for number, first in firsts.items():
        count = checklist.counts[number]
        places = f". First of {count:,} places" if count > 1 else ""
        text = f"{_capital(str(first))}{places}"
        lines.append(f"{text}. Reason: {first.rule.why}. What to do: {first.rule.do}.")
    return lines


COOL = (
    "Do not touch the panel or the platform until both feel cold. A thin wall bends permanently if it is "
    "pulled off warm; when cold, it often comes off by itself."
)
BRIM = (
    "Lift the panel by its {brim} mm brim, not by the picture. Score the brim along the foot with a blade, "
    "always cutting away from your hand, and snap it off; smooth the foot with fine sandpaper."
)
LOOK = "First hold the panel in front of a window: it should look like the predicted picture above."
LAMP = (
    "Use LEDs only, never a filament or halogen lamp. Keep the lit panel below {warm:g}\u00a0°C, "
    "{margin:g}\u00a0°C below its glass transition; measure it after an hour. Keep the lamp clear of the "
    "panel and its heat sink in free air. Use low voltage from a listed supply; leave mains wiring to a "
    "licensed electrician, who follows your local code."
)
KEEP = (
    "Keep the panel away from stoves, heaters and cars in the sun: it softens near {softens:g}\u00a0°C. Dust "
    "it with a soft, dry brush. Parts that are broken off are small and sharp: keep them away from children."
)


def list_steps_after(result: Result) -> list[tuple[str, str]]:
    """List the steps after the print, in order, as headings with instructions (common practice)."""
    every = [part.planned for part in result.parts]
    softens = result.planned.setup.material.temperature.glass_transition
    steps = [("Cooling", COOL)]
    removals = [each.supports.removal for each in every if each.supports is not None]
    steps += [("Supports", removal) for removal in dict.fromkeys(removals) if removal]
    if brims := sorted({each.setup.standing.brim for each in every if each.setup.standing.brim}):
        steps.append(("Brim", BRIM.format(brim=" or ".join(f"{brim:g}" for brim in brims))))
    lamp = LAMP.format(warm=softens - MARGIN, margin=MARGIN)
    return [*steps, ("First look", LOOK), ("Lamp", lamp), ("Care", KEEP.format(softens=softens))]
