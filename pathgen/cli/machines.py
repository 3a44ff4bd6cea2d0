"""`pathgen machines`: list or print the shipped machine and material profiles."""

from __future__ import annotations

import click

from pathgen.cli.options import ProfileName
from pathgen.cli.output import Answer, json_option
from pathgen.settings import load_machine, load_material, machine_names, material_names, profile_text


@click.command("machines")
@click.argument("name", required=False, type=ProfileName("machine", "material", file=False))
@json_option
def machines_command(name: str | None) -> Answer:
    """List the shipped machine and material profiles, or print the profile NAME as TOML.

    To make your own profile, save a printed profile to a file, edit the file, and pass its name to --machine
    or --material.
    """
    if name:
        text = profile_text(name)
        kind = "material" if name in material_names() else "machine"
        return Answer({"name": name, "kind": kind, "toml": text}, text.removesuffix("\n").split("\n"))
    machines = [_machine_facts(known) for known in machine_names()]
    materials = [_material_facts(known) for known in material_names()]
    lines = ["machines"]
    for m in machines:
        size = f"{m['x_mm']:.0f} × {m['y_mm']:.0f} × {m['z_mm']:.0f} mm"
        lines.append(f"  {m['name']:<15} {size}, nozzle {m['nozzle_diameter_mm']:g} mm. {m['about']}")
    lines.append("materials")
    lines += [f"  {m['name']:<15} nozzle {m['nozzle_degc']:g} °C. {m['about']}" for m in materials]
    return Answer({"machines": machines, "materials": materials}, lines)


def _machine_facts(name: str) -> dict[str, object]:
    machine = load_machine(name)
    spans = {f"{axis}_mm": getattr(machine.volume, axis) for axis in "xyz"}
    sides = {key: high - low for key, (low, high) in spans.items()}
    nozzle = machine.hot_end.nozzle_diameter
    return {"name": name, "about": machine.about, **sides, "nozzle_diameter_mm": nozzle}


def _material_facts(name: str) -> dict[str, object]:
    material = load_material(name)
    return {"name": name, "about": material.about, "nozzle_degc": material.temperature.nozzle}
