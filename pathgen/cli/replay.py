"""`pathgen replay`: what a written program will make and show."""

from __future__ import annotations

import json
from io import BytesIO
from pathlib import Path

import click
import numpy as np

from pathgen.cli.output import say
from pathgen.errors import printable
from pathgen.files.outputs import atomic_outputs, refuse_same
from pathgen.picture import load_thickness
from pathgen.program.summary import format_duration, grams
from pathgen.proof.compare import Comparison, Effects, Replayed, compare, replay
from pathgen.proof.header import Stated
from pathgen.settings import load_machine, load_material

FILE = click.Path(path_type=Path)
MOST = 10_000.0  # mm; far beyond any panel, and it keeps infinity and what is no number out
ABOVE_0 = click.FloatRange(0, MOST, min_open=True)
FROM_0 = click.FloatRange(0, MOST)


@click.command("replay")
@click.argument("program", type=FILE)
@click.option("--against", type=FILE, help="Thickness map that was wanted: .npy, mm, row 0 at the top.")
@click.option("--picture", type=FILE, help="Write the predicted backlit picture: a grey PNG.")
@click.option("--thickness", type=FILE, help="Write the thickness deposited: .npy, mm, row 0 at the top.")
@click.option("--map", "drawn", type=FILE, help="Write a PNG of the thickness with its scale.")
@click.option("--error", type=FILE, help="Write a PNG of deposited less wanted; needs --against.")
@click.option("--json", "as_json", is_flag=True, help="Print one flat JSON object instead of lines.")
@click.option("--machine", help="Machine profile. By default the shipped one that the header names.")
@click.option("--material", help="Material profile. By default the shipped one that the header names.")
@click.option(
    "--ends", type=FROM_0, default=1.0, metavar="MM", help="Left out at the ends of every wall. [1]"
)
@click.option("--smear/--no-smear", default=False, help="Spread what is laid down over the nozzle.")
@click.option("--spread", type=FROM_0, default=0.0, metavar="MM", help="Spread of light in the wall. [0]")
@click.option(
    "--seen", is_flag=True, help="As a viewer will see it: --smear, and the spread that the material says."
)
@click.option("--lag/--no-lag", default=False, help="Lay down what leaves the nozzle under its pressure lag.")
@click.option("--pixel", type=ABOVE_0, metavar="MM", help="Width of the columns, instead of the header's.")
@click.option(
    "--packing", type=ABOVE_0, metavar="X", help="Deposited over geometric volume, instead of the header's."
)
@click.option("--width", type=ABOVE_0, metavar="MM", help="Width of the panel, instead of the header's.")
@click.option(
    "--rotation",
    type=click.FloatRange(0, 360, max_open=True),
    metavar="DEG",
    help="Along X (0), Y (90), likewise.",
)
@click.option("--origin", type=float, nargs=2, metavar="X Y", help="Foot of the back, on the left, likewise.")
@click.option("--panel", type=click.IntRange(1), metavar="N", help="Which panel of several. [1]")
def replay_command(
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
    seen: bool,
    lag: bool,
    pixel: float | None,
    packing: float | None,
    width: float | None,
    rotation: float | None,
    origin: tuple[float, float] | None,
    panel: int | None,
) -> None:
    """Lay down PROGRAM's filament, by its text alone, and say what that makes.

    Nothing of the plan is used: what is judged is what the machine will be given. A program that pathgen did
    not write needs --machine; its panel is then taken to be as large as its deposits reach.
    """
    if error and not against:
        raise click.UsageError("--error shows deposited less wanted: name the wanted map with --against")
    outputs = {"picture": picture, "thickness": thickness, "map": drawn, "error": error}
    named = {kind: path for kind, path in outputs.items() if path}
    profiles = [Path(name) for name in (machine, material) if name]
    for path in named.values():
        others = [other for other in named.values() if other is not path]
        refuse_same(path, [program, *([against] if against else []), *profiles, *others])
    with atomic_outputs(named.values()) as streams:
        wanted = load_thickness(against) if against else None
        found = replay(
            program,
            load_machine(machine) if machine else None,
            load_material(material) if material else None,
            stated=Stated(pixel, packing, width, rotation, origin, panel),
            light=Effects(smear or seen, spread, lag, seen),
        )
        gap = None if wanted is None else compare(found, wanted, ends=ends)
        said = _json(program, found, gap, ends) if as_json else _lines(program, against, found, gap, ends)
        for kind, path in named.items():
            streams[path].write(_content(kind, found, gap, ends, printable(program.name)))
    say(said)


def _content(kind: str, found: Replayed, gap: Comparison | None, ends: float, name: str) -> bytes:
    """Make one output; matplotlib is loaded here, by those who ask for a picture."""
    if kind == "thickness":
        buffer = BytesIO()
        np.save(buffer, found.thickness.astype(np.float32), allow_pickle=False)
        return buffer.getvalue()
    from pathgen.report.replay_figures import backlit_png, error_png, thickness_png

    frame, size = found.standing.frame, found.standing.size
    if kind == "picture":
        return backlit_png(found.picture, frame.pixel)
    if kind == "map":
        return thickness_png(found.thickness, size, ends, name)
    assert gap is not None, "--error needs --against"
    return error_png(gap.gap, size, ends, name, gap.wanted)


def _json(program: Path, found: Replayed, gap: Comparison | None, ends: float) -> str:
    facts = found.as_dict(ends) | {"ends_mm": ends} | (gap.as_dict() if gap else {})
    whole = {"program": program.name, **facts, "notes": list(found.notes)}
    return json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False)


def _lines(program: Path, against: Path | None, found: Replayed, gap: Comparison | None, ends: float) -> str:
    """Word what a program makes, one fact a line, and how far that is from what was wanted."""
    f = found.as_dict(ends)
    of = f" of {f['material']}" if f["material"] else ""
    weight = f", {grams(float(str(f['mass_g'])))}" if f["mass_g"] is not None else ""
    laid = f"{f['layers']}" if f["layers"] == f["layers_laid"] else f"{f['layers_laid']} of {f['layers']}"
    lines = [
        f"{printable(str(program))}: {f['width_mm']:g} × {f['height_mm']:g} mm panel{of} on {f['machine']}, "
        f"{_stands(float(str(f['rotation_deg'])))}",
        f"  {laid} layers, {f['moves']:,} moves, about {format_duration(found.seconds)}, "
        f"{f['filament_m']:.1f} m of filament{weight}",
        f"  the wall is {f['thinnest_mm']:.2f} to {f['thickest_mm']:.2f} mm thick",
    ]
    if gap:
        lines += [f"  against {printable(str(against))}:", *(f"    {line}" for line in _gap_lines(gap))]
    if ends:
        lines.append(f"  ({ends:g} mm at the ends of every wall left out of thickness and light)")
    return "\n".join([*lines, *(f"  note: {printable(note)}" for note in found.notes)])


def _stands(rotation: float) -> str:
    names = {0.0: "along X", 90.0: "along Y"}
    return names.get(rotation, f"at {rotation:g} degrees")


def _gap_lines(gap: Comparison) -> list[str]:
    lines = [
        f"thickness {gap.thickness_rms_mm:.4f} mm RMS, bias {gap.thickness_bias_mm:+.4f} mm, 99 % within "
        f"{gap.thickness_p99_mm:.3f} mm, all within {gap.thickness_max_mm:.3f} mm",
        f"volume of a layer {100 * gap.layer_volume_rms_share:.3f} % RMS, all within "
        f"{100 * gap.layer_volume_max_share:.3f} %",
    ]
    if gap.lightness_rms is not None:
        alike = "" if gap.ssim is None else f"SSIM {gap.ssim:.4f}, "
        lines.append(
            f"lit from behind {gap.lightness_rms:.2f} L* RMS, 99 % within {gap.lightness_p99:.2f} L*; "
            f"{alike}PSNR {gap.psnr_db:.1f} dB"
        )
    return lines
