"""`pathgen replay`: simulate the panel and the backlit picture of a program."""

from __future__ import annotations

from pathlib import Path

import click

from pathgen.cli.files import ARRAY_FILE, INPUT, PICTURE_FILE, open_outputs
from pathgen.cli.options import profile_options
from pathgen.cli.output import Answer, json_option
from pathgen.errors import printable
from pathgen.files.inputs import input_name
from pathgen.picture import load_thickness
from pathgen.program.summary import format_duration, grams
from pathgen.proof.compare import Comparison, Effects, PanelReplay, compare, replay
from pathgen.proof.program_panel import Stated
from pathgen.settings import load_machine, load_material

LARGEST = 10_000.0  # mm; far beyond any panel; also rejects infinity and NaN
ABOVE_0 = click.FloatRange(0, LARGEST, min_open=True)
STATED = "Default: the value in the program header."
FROM_0 = click.FloatRange(0, LARGEST)


@click.command("replay")
@click.argument("program", type=INPUT)
@click.option(
    "--against", type=INPUT, help="Compare with this target thickness map: .npy, mm, row 0 at the top."
)
@click.option("--picture", type=PICTURE_FILE, help="Write the predicted backlit picture, in grey.")
@click.option(
    "--thickness", type=ARRAY_FILE, help="Write the deposited thickness: .npy, mm, row 0 at the top."
)
@click.option(
    "--map", "drawn", type=PICTURE_FILE, help="Write a picture of the deposited thickness with a scale."
)
@click.option("--error", type=PICTURE_FILE, help="Write a picture of the thickness error. Needs --against.")
@profile_options
@click.option(
    "--ends",
    type=FROM_0,
    default=1.0,
    metavar="MM",
    help="Length at both ends of each wall that is not compared. [1]",
)
@click.option("--smear/--no-smear", default=False, help="Blur the deposit by the nozzle diameter.")
@click.option(
    "--spread",
    type=FROM_0,
    default=0.0,
    metavar="MM",
    help="Standard deviation of the blur from light that scatters in the wall. [0]",
)
@click.option(
    "--viewed",
    is_flag=True,
    help="Show the panel as a viewer sees it: combine --smear with the light spread of the material.",
)
@click.option("--lag/--no-lag", default=False, help="Include the pressure lag of the hot end.")
@click.option("--pixel", type=ABOVE_0, metavar="MM", help=f"Column width. {STATED}")
@click.option(
    "--packing", type=ABOVE_0, metavar="X", help=f"Deposited volume divided by wall volume. {STATED}"
)
@click.option("--width", type=ABOVE_0, metavar="MM", help=f"Width of the panel. {STATED}")
@click.option(
    "--rotation",
    type=click.FloatRange(0, 360, max_open=True),
    metavar="DEG",
    help=f"Direction of the panel. 0: along X; 90: along Y. {STATED}",
)
@click.option(
    "--origin",
    type=float,
    nargs=2,
    metavar="X Y",
    help="Machine position (mm) of the lower left corner of the panel's back, as viewed from "
    f"the front. {STATED}",
)
@click.option(
    "--panel",
    type=click.IntRange(1),
    metavar="N",
    help="Number of the panel to replay if the program has several. [1]",
)
@json_option
def replay_command(
    program: Path,
    against: Path | None,
    picture: Path | None,
    thickness: Path | None,
    drawn: Path | None,
    error: Path | None,
    machine: str | None,
    material: str | None,
    ends: float,
    smear: bool,
    spread: float,
    viewed: bool,
    lag: bool,
    pixel: float | None,
    packing: float | None,
    width: float | None,
    rotation: float | None,
    origin: tuple[float, float] | None,
    panel: int | None,
) -> Answer:
    """Simulate PROGRAM: deposit the filament on a grid and report the resulting panel.

    PROGRAM is a file, a pipe, or "-" for standard input. Only the program is used, never the plan behind it.
    If another tool wrote the program, pass the machine profile too. The size of the panel is then measured.
    """
    if error and not against:
        raise click.UsageError("--error needs a target thickness map; add --against.")
    outputs = {"--picture": picture, "--thickness": thickness, "--map": drawn, "--error": error}
    profiles = [Path(name) for name in (machine, material) if name]
    with open_outputs(outputs, [program, against, *profiles]) as files:
        target = load_thickness(against) if against else None
        found = replay(
            program,
            load_machine(machine) if machine else None,
            load_material(material) if material else None,
            stated=Stated(pixel, packing, width, rotation, origin, panel),
            effects=Effects(smear or viewed, spread, lag, viewed),
        )
        gap = None if target is None else compare(found, target, ends=ends)
        if thickness:
            files.put_array("--thickness", found.thickness)
        pictures = [option for option in ("--picture", "--map", "--error") if option in files]
        for option in pictures:
            files.put_picture(option, _png(option, found, gap, ends, printable(program.name)))
        facts: dict[str, object] = {"program": program.name, **found.as_dict(ends), "ends_mm": ends}
        facts |= (gap.as_dict() if gap else {}) | {"notes": list(found.notes)}
        return Answer(facts, _lines(program, against, found, gap, ends))


def _png(option: str, found: PanelReplay, gap: Comparison | None, ends: float, name: str) -> bytes:
    from pathgen.report.replay_figures import backlit_png, error_png, thickness_png  # loads matplotlib

    frame, size = found.panel.frame, found.panel.size
    if option == "--picture":
        return backlit_png(found.picture, frame.pixel)
    if option == "--map":
        return thickness_png(found.thickness, size, ends, name)
    assert gap is not None, "--error needs --against"
    return error_png(gap.gap, size, ends, name, gap.wanted)


def _lines(
    program: Path, against: Path | None, found: PanelReplay, gap: Comparison | None, ends: float
) -> list[str]:
    """Describe the panel and the difference from the target."""
    f = found.as_dict(ends)
    of = f" of {f['material']}" if f["material"] else ""
    mass = f", {grams(f['mass_g'])}" if f["mass_g"] is not None else ""
    complete = f["layers"] == f["layers_deposited"]
    layers = f"{f['layers']}" if complete else f"{f['layers_deposited']} of {f['layers']}"
    lines = [
        f"{printable(input_name(program))}: {f['width_mm']:g} × {f['height_mm']:g} mm panel{of} "
        f"on {f['machine']}, {_direction(found.panel.frame.rotation)}",
        f"  {layers} layers, {f['moves']:,} moves, about {format_duration(found.seconds)}, "
        f"{f['filament_m']:.1f} m of filament{mass}",
        f"  wall thickness {f['thinnest_mm']:.2f} to {f['thickest_mm']:.2f} mm",
    ]
    if gap:
        lines += [f"  against {printable(str(against))}:", *(f"    {line}" for line in _gap_lines(gap))]
    if ends:
        lines.append(f"  (thickness and light without {ends:g} mm at both ends of each wall)")
    return [*lines, *(f"  note: {printable(note)}" for note in found.notes)]


def _direction(rotation: float) -> str:
    return {0.0: "along X", 90.0: "along Y"}.get(rotation, f"at {rotation:g} degrees")


def _gap_lines(gap: Comparison) -> list[str]:
    lines = [
        f"thickness error {gap.thickness_rms_mm:.4f} mm RMS, mean {gap.thickness_bias_mm:+.4f} mm, "
        f"99th percentile {gap.thickness_p99_mm:.3f} mm, maximum {gap.thickness_max_mm:.3f} mm",
        f"layer volume error {100 * gap.layer_volume_rms_share:.3f} % RMS, maximum "
        f"{100 * gap.layer_volume_max_share:.3f} %",
    ]
    if gap.lightness_rms is not None:
        ssim = "" if gap.ssim is None else f", SSIM {gap.ssim:.4f}"
        lines.append(
            f"backlit picture error {gap.lightness_rms:.2f} L* RMS, 99th percentile {gap.lightness_p99:.2f} "
            f"L*{ssim}, PSNR {gap.psnr_db:.1f} dB"
        )
    return lines
