"""`pathgen replay`: what a written program will show."""

from __future__ import annotations

import json
import math
from contextlib import ExitStack
from io import BytesIO
from pathlib import Path

import click
import numpy as np

from pathgen.atomic import atomic_output, refuse_same
from pathgen.errors import PathgenError
from pathgen.picture import load_thickness, resample
from pathgen.proof.compare import Light, Replayed, compare, replay
from pathgen.settings import load_machine, load_material
from pathgen.summary import clock

FILE = click.Path(path_type=Path)


@click.command("replay")
@click.argument("program", type=FILE)
@click.option("--against", type=FILE, help="Thickness map (.npy, mm, row 0 at the top) that was wanted.")
@click.option("--picture", type=FILE, help="Write the predicted backlit picture, a grey PNG.")
@click.option("--thickness", type=FILE, help="Write the thickness deposited, mm, as .npy.")
@click.option("--map", "drawn", type=FILE, help="Write a PNG of the thickness with its scale.")
@click.option("--error", type=FILE, help="Write a PNG of deposited less wanted (needs --against).")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of lines for people.")
@click.option("--machine", help="Machine profile. By default the one the program's header names.")
@click.option("--material", help="Material profile. By default the one the program's header names.")
@click.option(
    "--ends", type=float, default=1.0, metavar="MM", help="Left out at either end of the panel. [1]"
)
@click.option("--smear", is_flag=True, help="Spread what is laid over the nozzle's bore.")
@click.option("--spread", type=float, default=0.0, metavar="MM", help="Spread of the light in the wall. [0]")
@click.option("--lag", is_flag=True, help="Lay down what leaves the nozzle under its pressure lag.")
def command(
    program: Path,
    against: Path | None,
    picture: Path | None,
    thickness: Path | None,
    drawn: Path | None,
    error: Path | None,
    as_json: bool,
    machine: str | None,
    material: str | None,
    ends: float,
    smear: bool,
    spread: float,
    lag: bool,
) -> None:
    """Lay down PROGRAM's filament, by its text, and say what it makes.

    Nothing of the plan is used: what is judged is what the machine will be given.
    """
    if error and not against:
        raise PathgenError("--error without --against", allowed="both", hint="name the map that was wanted")
    if not (math.isfinite(ends) and ends >= 0):
        raise PathgenError(f"ends is {ends:g} mm", where="--ends", allowed="0 or more")
    outputs = [path for path in (picture, thickness, drawn, error) if path]
    for path in outputs:
        refuse_same(path, [program, *([against] if against else []), *(p for p in outputs if p is not path)])
    found = replay(
        program,
        load_machine(machine) if machine else None,
        load_material(material) if material else None,
        light=Light(smear, spread, lag),
    )
    facts = _facts(found, ends)
    wanted = load_thickness(against) if against else None
    if wanted is not None:
        facts |= compare(found, wanted, ends=ends)
    with ExitStack() as files:
        for path, content in _contents(found, wanted, ends, picture, thickness, drawn, error):
            files.enter_context(atomic_output(path)).write(content)
    if as_json:
        plain = {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in facts.items()}
        click.echo(json.dumps(plain | {"notes": list(found.notes)}, indent=1))
        return
    for line in _lines(program, facts, found):
        click.echo(line)


def _facts(found: Replayed, ends: float) -> dict[str, float]:
    moves, frame = found.program.moves, found.standing.frame
    fed = float(moves.filament.sum())
    skip = math.ceil(ends / frame.pixel)  # turns at the ends lay down in one column what belongs to several
    wall = found.thickness[:, skip : found.thickness.shape[1] - skip]
    wall = wall[wall > 0]
    facts: dict[str, float] = {
        "width_mm": round(frame.width, 3),
        "height_mm": round(float(frame.tops[-1]), 3),
        "layers": len(frame.tops),
        "moves": len(moves),
        "filament_m": round(fed / 1000, 4),
        "thinnest_mm": round(float(wall.min()), 3) if wall.size else 0.0,
        "thickest_mm": round(float(wall.max()), 3) if wall.size else 0.0,
        "outside_mm3": round(found.laid.outside, 3),
    }
    if found.plan is not None:
        facts["moving_time_s"] = round(float(found.plan.time.sum()), 1)
    return facts


def _contents(
    found: Replayed,
    wanted: np.ndarray | None,
    ends: float,
    picture: Path | None,
    thickness: Path | None,
    drawn: Path | None,
    error: Path | None,
) -> list[tuple[Path, bytes]]:
    """Make the files that are asked for; matplotlib is loaded only for pictures."""
    size = found.standing.frame.width, float(found.standing.frame.tops[-1])
    contents: list[tuple[Path, bytes]] = []
    if thickness:
        buffer = BytesIO()
        np.save(buffer, found.thickness.astype(np.float32), allow_pickle=False)
        contents.append((thickness, buffer.getvalue()))
    if picture or drawn or error:
        from pathgen.report.replayed import backlit_png, error_png, thickness_png

        if picture:
            contents.append((picture, backlit_png(found.picture)))
        if drawn:
            contents.append((drawn, thickness_png(found.thickness, size)))
        if error and wanted is not None:
            gap = found.thickness - resample(wanted, *found.thickness.shape)
            contents.append((error, error_png(gap, size, math.ceil(ends / found.standing.frame.pixel))))
    return contents


def _lines(program: Path, facts: dict[str, float], found: Replayed) -> list[str]:
    lines = [
        f"{program}: {facts['width_mm']:g} × {facts['height_mm']:g} mm on {found.machine.name}, "
        f"{facts['layers']:,} layers, {facts['moves']:,} moves",
        f"  {facts['filament_m']:.2f} m of filament; the wall is {facts['thinnest_mm']:g} to "
        f"{facts['thickest_mm']:g} mm thick",
    ]
    if "moving_time_s" in facts:
        lines.append(f"  moves for about {clock(facts['moving_time_s'])}, warming up and homing not counted")
    if "thickness_rms_mm" in facts:
        lines.append(
            f"  against the map: thickness {facts['thickness_rms_mm']:.4f} mm RMS, bias "
            f"{facts['thickness_bias_mm']:+.5f} mm, 99 % within {facts['thickness_p99_mm']:.3f} mm"
        )
        lines.append(
            f"  picture: {facts['lightness_rms']:.2f} L* RMS, SSIM {facts['ssim']:.4f}; "
            f"volume of a row within {100 * facts['row_volume_max_share']:.2f} %"
        )
    return lines + [f"  note: {note}" for note in found.notes]
