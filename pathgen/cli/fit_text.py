"""JSON facts and terminal lines for a fit."""

from __future__ import annotations

import math

from pathgen.coupons.fit_result import Outcome
from pathgen.optics import law
from pathgen.optics.law_fit import LawFit
from pathgen.optics.viewing import find_visible_range
from pathgen.settings import Material

LISTED = 10  # outliers listed on the screen
ENDS = (("", "value"), ("_low", "low"), ("_high", "high"))
UNITS = {"mm": "_mm", "1/mm": "_per_mm"}


def law_facts(fit: LawFit, before: Material) -> dict[str, object]:
    """Return the JSON facts for a fitted light law; keys end with the unit."""
    readings, chosen = fit.wedge, fit.chosen
    thinnest, thickest = float(readings.thickness.min()), float(readings.thickness.max())
    through = fit.law.transmittance([thinnest, thickest]).tolist()
    visible = find_visible_range(fit.law, thinnest, thickest, before.viewing)
    facts: dict[str, object] = {
        "law": chosen.name,
        "readings": len(readings),
        "thicknesses": len(set(readings.thickness.tolist())),
        "thinnest_mm": thinnest,
        "thickest_mm": thickest,
        "absolute": readings.absolute,
    }
    for figure in chosen.parameters:
        unit = UNITS.get(figure.unit, "")
        facts |= {f"{figure.name}{end}{unit}": getattr(figure, key) for end, key in ENDS}
    facts |= {
        "transmittance_thinnest": round(through[0], 6),
        "transmittance_thickest": round(through[1], 6),
        "error_share": chosen.light.error,
        "rms_residual_share": round(fit.rms, 6),
    }
    for each in fit.laws:
        aicc = round(each.aicc, 3) if math.isfinite(each.aicc) else None
        facts[f"aicc_{each.name.replace('-', '_')}"] = aicc
    return facts | {
        "visible_contrast": round(visible.contrast, 3),
        "visible_steps": round(visible.steps, 1),
        "outliers": len(fit.outliers),
        "outlier_lines": readings.line[fit.outliers].tolist(),
    }


def law_lines(name: str, fit: LawFit, before: Material) -> list[str]:
    """Describe the fit of a light law."""
    f, chosen, view = law_facts(fit, before), fit.chosen, before.viewing
    ends = fit.law.transmittance([float(fit.wedge.thickness.min()), float(fit.wedge.thickness.max())])
    figures = [
        f"{x.name} {x.value:.4g} ({x.low:.4g} to {x.high:.4g}){' ' + x.unit if x.unit else ''}"
        for x in chosen.parameters
    ]
    error = "" if chosen.light.error is None else f", standard error {100 * chosen.light.error:.1f} %"
    best = min(each.aicc for each in fit.laws)
    others = [
        f"{each.name} {each.aicc - best:+.1f}" if math.isfinite(each.aicc) else f"{each.name} not available"
        for each in fit.laws
    ]
    return [
        f"{name}: {f['readings']} readings of {f['thicknesses']} thicknesses, "
        f"{f['thinnest_mm']:g} to {f['thickest_mm']:g} mm",
        f"  {chosen.name} law" + (f": {', '.join(figures)}" if figures else f" of {chosen.count} steps"),
        f"  transmittance {100 * ends[0]:.3g} to {100 * ends[1]:.3g} %{error}, "
        f"RMS residual {100 * fit.rms:.1f} %",
        f"  corrected Akaike criterion minus the best: {', '.join(others)}",
        f"  visible at {view.luminance:g} cd/m² in {view.room:g} lux: contrast {f['visible_contrast']:.3g} "
        f"to 1, {f['visible_steps']:.0f} just-noticeable steps",
        *(f"  this spool: {line}" for line in before_after(fit, before)),
        *_outlier_lines(fit),
    ]


def before_after(fit: LawFit, before: Material) -> list[str]:
    """Compare the old and new transmittance of a thin and a thick wall."""
    readings = fit.wedge.thickness
    places = [min(max(t, float(readings.min())), float(readings.max())) for t in (0.8, 3.0)]
    old, new = law(before.light).transmittance(places), fit.law.transmittance(places)
    return [f"T({t:g} mm) {a:.3f} → {b:.3f}" for t, a, b in zip(places, old, new, strict=True)]


def outcome_facts(outcome: Outcome) -> dict[str, object]:
    """Return a coupon's estimates with interval limits, and the changed keys."""
    facts: dict[str, object] = {}
    for estimate in outcome.estimates:
        key = estimate.name.replace(" ", "_").replace("-", "_").replace(".", "_")
        unit = "_" + estimate.unit.replace("/", "_per_").replace("°", "deg") if estimate.unit else ""
        facts |= {f"{key}{end}{unit}": float(f"{getattr(estimate, name):.6g}") for end, name in ENDS}
    return facts | {f"set {'.'.join(filter(None, change[:2]))}": change.value for change in outcome.changes}


def _outlier_lines(fit: LawFit) -> list[str]:
    """List the outlying readings, largest residuals first."""
    off = fit.chosen.residuals
    order = sorted(fit.outliers.tolist(), key=lambda i: (-abs(off[i]), i))
    readings = fit.wedge
    lines = [
        f"  outlier: line {readings.line[i]}, {readings.shown[i]:g} {readings.unit} at "
        f"{readings.thickness[i]:g} mm, {100 * math.expm1(off[i]):+.0f} % from the law"
        for i in order[:LISTED]
    ]
    return lines + ([f"  and {len(order) - LISTED} more outliers"] if len(order) > LISTED else [])
