"""A fitted law written into a material's file, where it says what it was measured from."""

from __future__ import annotations

import math
import re
import tomllib

from pathgen.optics.law_fit import LEVEL, LawFit
from pathgen.settings.constraints import material_faults
from pathgen.settings.material import Material
from pathgen.settings.toml_edit import Value, rewrite_table
from pathgen.settings.validation import plain, refuse_first, typed

GUESSED = "light law typical, not measured"  # what the shipped profiles say of themselves
MEASURED = "light law measured"
REMARKS = {
    "law": "one of exponential, two-flux, table",
    "length": "mm",
    "absorption": "K, 1/mm",
    "scattering": "S, 1/mm",
    "t0": "transmittance of the two surfaces alone",
    "valid": "mm, thinnest and thickest step measured",
    "error": "relative standard error of the transmittance in that range",
    "thickness": "mm",
}


def material_text(text: str, fit: LawFit, name: str, source: str) -> str:
    """Put a fitted law into a material's file.

    Parameters
    ----------
    text : str
        The material's file as it was: TOML, valid.
    fit : Fit
    name : str
        What the new material is called.
    source : str
        Name of the readings' file, for the comment over the law.

    Returns
    -------
    str
        The file with a new [light], in which `spread` stays as it was; comments that stood over the law give
        way to where the new one comes from, and all other lines are kept. No date: the same readings give the
        same text.

    Raises
    ------
    PathgenError
        When the file's [light] cannot be changed line by line, or what comes out is no material.
    """
    light = plain(fit.chosen.light)
    old = tomllib.loads(text).get("light", {})
    kept = {"spread", "spread_growth"}
    values: dict[str, Value] = {
        key: value for key, value in _ordered(light).items() if value is not None and key not in kept
    }
    drop = [key for key in old if key not in values and key not in kept]
    text = rewrite_table(text, "light", values, drop=drop, lead=provenance(fit, source), remarks=REMARKS)
    about = str(tomllib.loads(text).get("about", "")).replace(GUESSED, MEASURED)
    text = rewrite_table(text, "", {"name": name, "about": about})
    material = typed(tomllib.loads(text), Material, f"material {name}")
    refuse_first(material_faults(material), f"material {name}")
    return text


def provenance(fit: LawFit, source: str) -> list[str]:
    r"""Say in comment lines what a law was fitted to, and how well it fits.

    Examples
    --------
    >>> import numpy as np
    >>> from pathgen.optics.law_fit import fit_law
    >>> from pathgen.optics.wedge import Readings
    >>> t = np.arange(0.5, 3.1, 0.25)
    >>> light = 0.9 * np.exp(-t / 1.2) * (1 + 0.01 * np.cos(7 * t))
    >>> print(*provenance(fit_law(Readings(t, light, light, np.arange(2, 13))), "wedge.csv")[:2], sep="\n")
    Fitted to 11 readings of 11 thicknesses, 0.5 to 3 mm (wedge.csv).
    RMS residual 0.7 %; standard error of the transmittance at most 0.5 %.
    """
    readings, chosen = fit.readings, fit.chosen
    low, high = readings.thickness.min(), readings.thickness.max()
    error = chosen.light.error
    lines = [
        f"Fitted to {len(readings)} readings of {len(set(readings.thickness.tolist()))} thicknesses, "
        f"{low:g} to {high:g} mm ({_plain_name(source)}).",
        f"RMS residual {100 * fit.rms:.1f} %"
        + (f" without {len(fit.outliers)} far off" if len(fit.outliers) else "")
        + ("." if error is None else f"; standard error of the transmittance at most {100 * error:.1f} %."),
    ]
    if not readings.absolute:
        lines.append("No reference reading: only the fall of light with thickness was measured.")
    lines += [
        f"{figure.name} {figure.low:.4g} to {figure.high:.4g} with {100 * LEVEL:g} % confidence."
        for figure in chosen.figures
    ]
    weighed = [f"{each.name} {each.aicc:.1f}" for each in fit.laws if math.isfinite(each.aicc)]
    if weighed:
        lines.append(f"Corrected Akaike criterion, less is better: {', '.join(weighed)}.")
    return lines


def material_name(stem: str, taken: list[str]) -> str:
    """Make a material's name from a file's, other than those taken.

    Examples
    --------
    >>> material_name("Weiß (Spule 2)", []), material_name("pla-white", ["pla-white"])
    ('Wei- -Spule 2', 'pla-white fitted')
    """
    name = re.sub(r"[^A-Za-z0-9 ._+-]", "-", stem).strip(" ._+-") or "fitted"
    name = re.sub(r"-+", "-", name)[:50]
    return f"{name} fitted" if name in taken else name


def _ordered(light: dict[str, object]) -> dict[str, Value]:
    """Put a law's keys in the order of its file: the law, its figures, what is said of it."""
    last = ("t0", "valid", "error")
    keys = ["law", *(key for key in light if key not in ("law", *last)), *last]
    return {key: light[key] for key in keys if key in light}  # type: ignore[misc]


def _plain_name(name: str) -> str:
    return "".join(mark if mark.isprintable() else "?" for mark in name)
