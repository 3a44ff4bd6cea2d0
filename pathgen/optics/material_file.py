"""Write material files that contain a fitted transmittance law."""

from __future__ import annotations

import math
import re
import tomllib
from typing import Any

from pathgen.errors import printable
from pathgen.optics.law_fit import LAWS, LEVEL, LawFit
from pathgen.optics.laws import LAW_MODELS
from pathgen.settings.constraints import material_faults
from pathgen.settings.material import Material
from pathgen.settings.toml_edit import rewrite_table
from pathgen.settings.validation import plain, refuse_first, typed

GUESSED = "light law typical, not measured"  # in `about` of the shipped profiles
MEASURED = "light law measured"
SPREAD = ("spread", "spread_growth")  # keys that a wedge does not measure
LAST = ("t0", "valid", "error")  # keys after the parameters of the law
REMARKS = {
    "law": f"one of {', '.join(LAWS)}",
    **{key: unit for model in LAW_MODELS for key, unit in model.parameters},
    "t0": "transmittance of the two surfaces alone",
    "valid": "mm, thinnest and thickest step measured",
    "error": "relative standard error of the transmittance in that range",
    "thickness": "mm",
}


def material_text(text: str, fit: LawFit, name: str, source: str) -> str:
    """Return the text of a material file that contains a fitted law.

    Parameters
    ----------
    text : str
        Text of the original material file, valid TOML.
    fit : LawFit
    name : str
        Name of the new material.
    source : str
        Name of the measurement file, for the comment above the law.

    Returns
    -------
    str
        The file with a new `[light]` table, in which `spread` and `spread_growth` are kept. The comment above
        the law is replaced by `provenance`; all other lines are kept. There is no date, so the same
        measurements give the same text.

    Raises
    ------
    PathgenError
        If the `[light]` table of the file cannot be edited line by line, or the result is not a valid
        material.
    """
    light: dict[str, Any] = plain(fit.chosen.light)
    keys = ["law", *(key for key in light if key not in ("law", *LAST)), *LAST]
    values = {key: light[key] for key in keys if light.get(key) is not None and key not in SPREAD}
    drop = [key for key in tomllib.loads(text).get("light", {}) if key not in (*values, *SPREAD)]
    text = rewrite_table(text, "light", values, drop=drop, lead=provenance(fit, source), remarks=REMARKS)
    about = str(tomllib.loads(text).get("about", "")).replace(GUESSED, MEASURED)
    text = rewrite_table(text, "", {"name": name, "about": about})
    material = typed(tomllib.loads(text), Material, f"material {name}")
    refuse_first(material_faults(material), f"material {name}")
    return text


def provenance(fit: LawFit, source: str) -> list[str]:
    r"""Return comment lines that state the measurements and the quality of a fit.

    Examples
    --------
    >>> import numpy as np
    >>> from pathgen.optics.law_fit import fit_law
    >>> from pathgen.optics.wedge import WedgeMeasurements
    >>> t = np.arange(0.5, 3.1, 0.25)
    >>> light = 0.9 * np.exp(-t / 1.2) * (1 + 0.01 * np.cos(7 * t))
    >>> fit = fit_law(WedgeMeasurements(t, light, light, np.arange(2, 13)))
    >>> print(*provenance(fit, "wedge.csv")[:2], sep="\n")
    Fitted to 11 measurements of 11 thicknesses, 0.5 to 3 mm (wedge.csv).
    RMS residual 0.7 %; standard error of the transmittance at most 0.5 %.
    """
    wedge, chosen = fit.wedge, fit.chosen
    error = chosen.light.error
    lines = [
        f"Fitted to {len(wedge)} measurements of {len(set(wedge.thickness.tolist()))} thicknesses, "
        f"{wedge.thickness.min():g} to {wedge.thickness.max():g} mm ({printable(source)}).",
        f"RMS residual {100 * fit.rms:.1f} %"
        + (f" without {len(fit.outliers)} outliers" if len(fit.outliers) else "")
        + ("." if error is None else f"; standard error of the transmittance at most {100 * error:.1f} %."),
    ]
    if not wedge.absolute:
        lines.append("No reference: only the decrease of light with thickness was measured.")
    lines += [
        f"{each.name} {each.low:.4g} to {each.high:.4g} with {100 * LEVEL:g} % confidence."
        for each in chosen.parameters
    ]
    compared = [f"{each.name} {each.aicc:.1f}" for each in fit.laws if math.isfinite(each.aicc)]
    if compared:
        lines.append(f"Corrected Akaike criterion (smaller is better): {', '.join(compared)}.")
    return lines


def material_name(stem: str, taken: list[str]) -> str:
    """Derive a material name from a file name, different from all names in `taken`.

    Examples
    --------
    >>> material_name("Weiß (Spule 2)", []), material_name("pla-white", ["pla-white"])
    ('Wei- -Spule 2', 'pla-white fitted')
    """
    name = re.sub(r"[^A-Za-z0-9 ._+-]", "-", stem).strip(" ._+-") or "fitted"
    name = re.sub(r"-+", "-", name)[:50]
    return f"{name} fitted" if name in taken else name
