"""`pathgen machines`: the profiles that can be named."""

from __future__ import annotations

import click

from pathgen.cli.output import say
from pathgen.settings import load_machine, load_material, machine_names, material_names, profile_text


@click.command("machines")
@click.argument("name", required=False)
def machines_command(name: str | None) -> None:
    """List the machine and material profiles, or show the one called NAME as TOML.

    Save what is shown to a file of your own, change it, and give it to --machine or --material.
    """
    if name:
        say(profile_text(name).removesuffix("\n"))
        return
    say("machines")
    for known in machine_names():
        machine = load_machine(known)
        x, y, z = (round(hi - lo) for lo, hi in (machine.volume.x, machine.volume.y, machine.volume.z))
        say(
            f"  {known:<15} {x} × {y} × {z} mm, "
            f"nozzle {machine.hot_end.nozzle_diameter:g} mm. {machine.about}"
        )
    say("materials")
    for known in material_names():
        material = load_material(known)
        say(f"  {known:<15} nozzle {material.temperature.nozzle:g} °C. {material.about}")
