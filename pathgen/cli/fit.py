"""`pathgen fit`: a measured step wedge becomes a material's light law."""

from __future__ import annotations

import json
import math
from contextlib import ExitStack
from pathlib import Path

import click

from pathgen.atomic import atomic_output, refuse_same
from pathgen.optics.fit import LAWS, Fit, fit_law
from pathgen.optics.material import material_name, material_text
from pathgen.optics.readings import read_readings
from pathgen.optics.viewing import seen
from pathgen.settings import Material, load_material, material_names, profile_text

FILE = click.Path(path_type=Path)
FLOOR = click.FloatRange(0, 1e9, min_open=True)
NAMED = 10  # most outliers named on the screen


@click.command("fit")
@click.argument("measured", type=FILE)
@click.option("--material", required=True, help="Material to start from: a shipped name or a .toml file.")
@click.option("--out", type=FILE, required=True, help="Material file to write, for `panel --material`.")
@click.option("--plot", type=FILE, help="Write a PNG of readings, laws and what they leave over.")
@click.option("--law", type=click.Choice(["auto", *LAWS]), default="auto", help="Law to take. [auto]")
@click.option("--floor", type=FLOOR, metavar="X", help="Least reading the meter can tell from darkness.")
@click.option("--json", "as_json", is_flag=True, help="Print one flat JSON object instead of lines.")
def command(
    measured: Path,
    material: str,
    out: Path,
    plot: Path | None,
    law: str,
    floor: float | None,
    as_json: bool,
) -> None:
    """Fit the light law of a plastic to MEASURED, and write a material that has it.

    MEASURED is a CSV file, one reading a line, whose first line names its columns and their units:

    \b
      thickness_mm    of the wedge's step; 0 for a reading without it
      reading_UNIT    what was read there; may stand more than once
      reference_UNIT  what was read without the wedge (optional)
      dark_UNIT       what was read without light (optional)

    UNIT is lux, cd/m2, linear (in proportion to light) or srgb (a photograph's code, 0 to 255). Four
    thicknesses are the least; ten, read five times each, tell the laws apart.
    """  # noqa: D301 - the mark that keeps a paragraph's lines has to be a real one
    targets = [path for path in (out, plot) if path]
    for path in targets:
        refuse_same(path, [measured, Path(material), *(other for other in targets if other is not path)])
    with ExitStack() as files:
        streams = [files.enter_context(atomic_output(path)) for path in targets]
        before = load_material(material)
        fit = fit_law(read_readings(measured, floor), law, before.light)
        name = material_name(out.stem, material_names())
        streams[0].write(material_text(_text(material), fit, name, measured.name).encode())
        if plot:
            from pathgen.report.residuals import residuals_png

            streams[1].write(residuals_png(fit, measured.name))
        said = _json(measured, name, fit, before) if as_json else _lines(measured, out, fit, before)
    click.echo(said)


def _text(material: str) -> str:
    if material in material_names():
        return profile_text(material)
    return Path(material).read_bytes().decode("utf-8-sig")


def _facts(fit: Fit, before: Material) -> dict[str, object]:
    """Gather what is known of a fit, flat; keys carry their unit."""
    readings, chosen = fit.readings, fit.chosen
    thinnest, thickest = float(readings.thickness.min()), float(readings.thickness.max())
    through = fit.law.transmittance([thinnest, thickest]).tolist()
    eye = seen(fit.law, thinnest, thickest, before.viewing)
    facts: dict[str, object] = {
        "law": chosen.name,
        "readings": len(readings),
        "thicknesses": len(set(readings.thickness.tolist())),
        "thinnest_mm": thinnest,
        "thickest_mm": thickest,
        "absolute": readings.absolute,
    }
    for figure in chosen.figures:
        unit = {"mm": "_mm", "1/mm": "_per_mm"}.get(figure.unit, "")
        facts |= {f"{figure.name}{end}{unit}": getattr(figure, key) for end, key in _ENDS}
    facts |= {
        "transmittance_thinnest": round(through[0], 6),
        "transmittance_thickest": round(through[1], 6),
        "error_share": chosen.light.error,
        "rms_residual_share": round(fit.rms, 6),
    }
    for each in fit.laws:
        facts[f"aicc_{each.name.replace('-', '_')}"] = (
            round(each.aicc, 3) if math.isfinite(each.aicc) else None
        )
    return facts | {
        "seen_contrast": round(eye.contrast, 3),
        "seen_steps": round(eye.steps, 1),
        "outliers": len(fit.outliers),
    }


_ENDS = (("", "value"), ("_low", "low"), ("_high", "high"))


def _json(measured: Path, name: str, fit: Fit, before: Material) -> str:
    facts = {"measured": measured.name, "material": name, **_facts(fit, before)}
    lines = fit.readings.line[fit.outliers].tolist()
    whole = {**facts, "outlier_lines": lines, "notes": list(fit.notes)}
    return json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False)


def _lines(measured: Path, out: Path, fit: Fit, before: Material) -> str:
    """Word a fit, one fact a line."""
    f, chosen, view = _facts(fit, before), fit.chosen, before.viewing
    ends = fit.law.transmittance([float(fit.readings.thickness.min()), float(fit.readings.thickness.max())])
    figures = [
        f"{x.name} {x.value:.4g} ({x.low:.4g} to {x.high:.4g}){' ' + x.unit if x.unit else ''}"
        for x in chosen.figures
    ]
    error = "" if chosen.light.error is None else f", standard error {100 * chosen.light.error:.1f} %"
    best = min(each.aicc for each in fit.laws)
    others = [
        f"{each.name} {each.aicc - best:+.1f}" if math.isfinite(each.aicc) else f"{each.name} unknown"
        for each in fit.laws
    ]
    lines = [
        f"{measured}: {f['readings']} readings of {f['thicknesses']} thicknesses, {f['thinnest_mm']:g} to "
        f"{f['thickest_mm']:g} mm",
        f"  {chosen.name} law" + (f": {', '.join(figures)}" if figures else f" of {chosen.count} steps"),
        f"  lets {100 * ends[0]:.3g} to {100 * ends[1]:.3g} % through{error}; {100 * fit.rms:.1f} % RMS off",
        f"  laws weighed (corrected Akaike criterion over the best): {', '.join(others)}",
        f"  seen before {view.luminance:g} cd/m² in {view.room:g} lux: contrast {f['seen_contrast']:.3g} "
        f"to 1, {f['seen_steps']:.0f} just-noticeable steps",
    ]
    lines += _outliers(fit)
    lines += [f"  note: {note}" for note in fit.notes]
    return "\n".join([*lines, f"  written to {out}"])


def _outliers(fit: Fit) -> list[str]:
    """Name the readings that the law does not explain, the furthest first."""
    off = fit.chosen.residuals
    order = sorted(fit.outliers.tolist(), key=lambda i: (-abs(off[i]), i))
    readings = fit.readings
    named = [
        f"  outlier: line {readings.line[i]}, {readings.shown[i]:g} {readings.unit} at "
        f"{readings.thickness[i]:g} mm is {100 * math.expm1(off[i]):+.0f} % off the law"
        for i in order[:NAMED]
    ]
    return named + ([f"  and {len(order) - NAMED} more outliers"] if len(order) > NAMED else [])
