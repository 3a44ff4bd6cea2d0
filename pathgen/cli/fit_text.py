"""How a fitted light law is told: as lines for people, and as one flat JSON object."""

from __future__ import annotations

import json
import math
from pathlib import Path

from pathgen.errors import printable
from pathgen.optics import law
from pathgen.optics.law_fit import LawFit
from pathgen.optics.viewing import find_visible_range
from pathgen.settings import Material

NAMED = 10  # most outliers named on the screen


def _facts(fit: LawFit, before: Material) -> dict[str, object]:
    """Gather what is known of a fit, flat; keys carry their unit."""
    readings, chosen = fit.readings, fit.chosen
    thinnest, thickest = float(readings.thickness.min()), float(readings.thickness.max())
    through = fit.law.transmittance([thinnest, thickest]).tolist()
    eye = find_visible_range(fit.law, thinnest, thickest, before.viewing)
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


def before_after(fit: LawFit, before: Material) -> list[str]:
    """Say what a thin and a thick wall let through by the old law and by the new one."""
    readings = fit.readings.thickness
    places = [min(max(t, float(readings.min())), float(readings.max())) for t in (0.8, 3.0)]
    old, new = law(before.light).transmittance(places), fit.law.transmittance(places)
    return [f"T({t:g} mm) {a:.3f} → {b:.3f}" for t, a, b in zip(places, old, new, strict=True)]


def law_json(measured: Path, name: str, fit: LawFit, before: Material, notes: list[str]) -> str:
    """Spell a fit as one flat JSON object."""
    facts = {"measured": measured.name, "material": name, **_facts(fit, before)}
    lines = fit.readings.line[fit.outliers].tolist()
    whole = {**facts, "outlier_lines": lines, "notes": [*notes, *fit.notes]}
    return json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False)


def law_lines(measured: Path, out: Path, fit: LawFit, before: Material, notes: list[str]) -> str:
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
        f"{printable(str(measured))}: {f['readings']} readings of {f['thicknesses']} thicknesses, "
        f"{f['thinnest_mm']:g} to {f['thickest_mm']:g} mm",
        f"  {chosen.name} law" + (f": {', '.join(figures)}" if figures else f" of {chosen.count} steps"),
        f"  lets {100 * ends[0]:.3g} to {100 * ends[1]:.3g} % through{error}; {100 * fit.rms:.1f} % RMS off",
        f"  laws weighed (corrected Akaike criterion over the best): {', '.join(others)}",
        f"  seen before {view.luminance:g} cd/m² in {view.room:g} lux: contrast {f['seen_contrast']:.3g} "
        f"to 1, {f['seen_steps']:.0f} just-noticeable steps",
    ]
    lines += [f"  this spool: {line}" for line in before_after(fit, before)]
    lines += _outliers(fit)
    lines += [f"  note: {note}" for note in (*notes, *fit.notes)]
    return "\n".join([*lines, f"  written to {printable(str(out))}"])


def _outliers(fit: LawFit) -> list[str]:
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
