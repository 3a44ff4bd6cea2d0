"""Luminance of a lit panel as a viewer sees it, including reflected room light.

Glossary. *Source*: the even light behind the panel. *Veil*: luminance of room light reflected by the face. It
is added to light and dark tones alike, and so limits the darkest tone. *Step*: just-noticeable difference of
luminance.

The face is assumed to reflect diffusely (Lambert), so that illuminance E and diffuse reflectance ρ give a
veil of E·ρ/π. A thin wall reflects less than a thick one. One ρ for all thicknesses therefore overestimates
the veil in the light tones, where it has little effect.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pathgen.optics.laws import Floats, TransmittanceLaw
from pathgen.optics.thickness import check_range
from pathgen.settings.material import Viewing

# DICOM PS3.14, section 7.1: the index as a polynomial in log10 L, lowest power first.
_INDEX = (
    71.498068, 94.593053, 41.912053, 9.8247004, 0.28175407, -1.1878455, -0.18014349, 0.14710899, -0.017046845,
)  # fmt: skip
DIMMEST, BRIGHTEST = 0.05, 3993.404  # cd/m², range of the standard
LAST = 1023.0  # index of the highest luminance


@dataclass(frozen=True, slots=True)
class VisibleRange:
    """Visible range of a panel, at the dimmest point of the light source.

    Attributes
    ----------
    brightest, darkest : float
        Luminance at the smallest and at the largest thickness, cd/m², including the veil.
    contrast : float
        Brightest over darkest.
    steps : float
        Number of just-noticeable steps between the two.
    """

    brightest: float
    darkest: float
    contrast: float
    steps: float


def veil(viewing: Viewing) -> float:
    """Return the luminance E·ρ/π of room light reflected by the face, cd/m².

    Examples
    --------
    >>> round(veil(Viewing(room=100.0, reflectance=0.6)), 2)
    19.1
    """
    return viewing.room * viewing.reflectance / math.pi


def face_luminance(
    thickness: ArrayLike, law: TransmittanceLaw, viewing: Viewing | None = None, source: float = 1.0
) -> Floats:
    """Return the luminance L·T + E·ρ/π of a panel's face in room light, cd/m².

    Parameters
    ----------
    thickness : array_like
        mm, any shape.
    law : TransmittanceLaw
        Law of the plastic.
    viewing : Viewing, optional
        Typical conditions by default.
    source : float
        Luminance of the source at this place over its maximum, from `evenness` to 1.

    Returns
    -------
    array of float64
        cd/m², same shape; empty for empty input.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> lit = Viewing(luminance=1000.0, room=100.0, reflectance=0.6)
    >>> face_luminance([0.8, 3.2], ExponentialLaw(1.2), lit).round(1).tolist()
    [532.5, 88.6]
    """
    viewing = viewing or Viewing()
    return np.asarray(viewing.luminance * source * law.transmittance(thickness) + veil(viewing))


def find_visible_range(
    law: TransmittanceLaw, thinnest: float, thickest: float, viewing: Viewing | None = None
) -> VisibleRange:
    """Compute the visible range of a panel at the dimmest point of its light source.

    Parameters
    ----------
    law : TransmittanceLaw
        Law of the plastic.
    thinnest, thickest : float
        mm.
    viewing : Viewing, optional
        Typical conditions by default.

    Raises
    ------
    PathgenError
        If the range of thickness is invalid.

    Examples
    --------
    >>> from pathgen.optics.laws import TwoFluxLaw
    >>> white = find_visible_range(TwoFluxLaw(0.1, 2.0), 0.8, 3.0)
    >>> round(white.contrast, 2), round(white.steps)
    (3.97, 191)
    """
    check_range(thinnest, thickest)
    viewing = viewing or Viewing()
    bright, dark = face_luminance([thinnest, thickest], law, viewing, viewing.evenness).tolist()
    high, low = step_index([bright, dark]).tolist()
    return VisibleRange(bright, dark, bright / dark if dark > 0 else math.inf, high - low)


def step_index(luminance: ArrayLike) -> Floats:
    """Return the index of a luminance on a scale of just-noticeable steps.

    Parameters
    ----------
    luminance : array_like
        cd/m², any shape; values outside the range of the standard, 0.05 to 3993.4, are clipped.

    Returns
    -------
    array of float64
        1 to 1023; same shape, empty for empty input.

    Notes
    -----
    DICOM PS3.14, section 7.1: one step of the index is the just-noticeable difference of a standard target
    for a standard observer. The polynomial is the inverse given by the standard, with an error below 0.1
    step.

    Examples
    --------
    >>> step_index([1.0, 10.0, 100.0]).round(1).tolist()
    [71.5, 216.9, 476.4]
    """
    log = np.log10(np.clip(np.asarray(luminance, dtype=np.float64), DIMMEST, BRIGHTEST))
    return np.asarray(np.clip(np.polynomial.polynomial.polyval(log, _INDEX), 1.0, LAST))
