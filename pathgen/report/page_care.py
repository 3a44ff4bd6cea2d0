"""What a person sees to: before the machine runs, and once the panel is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from pathgen.job import Result
from pathgen.settings import Machine, Material

TO_TICK = "to tick"
LAMP_MARGIN = 20.0  # °C that a lit panel is kept under its glass transition (common practice)


@dataclass(frozen=True, slots=True)
class Item:
    """One thing of the safety checklist: what it is, and `state`, such as "holds" or "to tick"."""

    text: str
    state: str

    @property
    def open(self) -> bool:
        """A person has to see to it."""
        return self.state == TO_TICK


@dataclass(frozen=True, slots=True)
class Before:
    """What has to be so before it runs: the items, and lines on what they rest on."""

    items: list[Item]
    guidance: list[str]


def before(
    machine: Machine, material: Material, program: Path, said: Sequence[tuple[str, str]] | None = None
) -> Before:
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
        Without items where none are said and this installation has no such list.
    """
    module = _module("pathgen.proof.safety")
    guidance = [] if module is None else [*module.GUIDANCE, module.REPLACES_NOTHING]
    if said is None:
        said = _items(module, machine, material, program) if module else []
    return Before([Item(*item) for item in said], guidance)


def _items(module: Any, machine: Machine, material: Material, program: Path) -> list[tuple[str, str]]:
    checks = _module("pathgen.proof.checklist")
    checked = checks.check_program(program, machine, material) if checks else None
    made = module.safety(machine, material, checked)
    return [(p.text, p.state) for p in made.proved] + [(item.text, TO_TICK) for item in made.items]


def _module(name: str) -> Any:
    """Load a module that an installation may lack; what that module itself lacks is still an error."""
    try:
        return import_module(name)
    except ModuleNotFoundError as error:
        if error.name != name:
            raise
        return None


COOL = (
    "Leave panel and platform alone until both are cold to the hand. A thin wall that is pulled off warm "
    "bends for good; cold, it often lets go by itself."
)
BRIM = (
    "Take the panel off by its {brim:g} mm brim, not by the picture. Score the brim along the foot with a "
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
    planned, brim = result.planned, result.planned.setup.job.brim
    softens = planned.setup.material.temperature.glass_transition
    steps = [("Let it cool", COOL)]
    if planned.props is not None and planned.props.removal:
        steps.append(("Props", planned.props.removal))
    if brim:
        steps.append(("Brim", BRIM.format(brim=brim)))
    lamp = LAMP.format(warm=softens - LAMP_MARGIN, margin=LAMP_MARGIN)
    return [*steps, ("Look", LOOK), ("Lamp", lamp), ("Keep", KEEP.format(softens=softens))]
