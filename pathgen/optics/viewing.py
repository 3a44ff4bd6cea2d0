"""What a person sees of a lit panel: its light, and the room's light that its face throws back.

Glossary. *Source*: the even light behind the panel. *Veil*: luminance of the room's light on the face; it
lies over light and dark alike, so it is the darkest tone there is, whatever the wall lets through. *Step*:
the least difference of luminance that a person notices.

The face is taken to throw light back evenly in all directions (Lambert), so that illuminance E and diffuse
reflectance ρ give a veil of E·ρ/π. A thin wall throws back less than a thick one; one ρ for all of them makes
the veil too bright on the light tones, where it hardly counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pathgen.errors import PathgenError
from pathgen.optics.laws import Floats, TransmittanceLaw
from pathgen.settings.material import Viewing

# DICOM PS3.14, section 7: log10 L as a quotient of polynomials in ln j, lowest power first; and j as a
# polynomial in log10 L.
_OVER = (-1.3011877, 8.0242636e-2, 1.3646699e-1, -2.5468404e-2, 1.3635334e-3)
_UNDER = (1.0, -2.5840191e-2, -1.0320229e-1, 2.8745620e-2, -3.1978977e-3, 1.2992634e-4)
_INDEX = (
    71.498068, 94.593053, 41.912053, 9.8247004, 0.28175407, -1.1878455, -0.18014349, 0.14710899, -0.017046845,
)  # fmt: skip
DIMMEST, BRIGHTEST = 0.05, 3993.404  # cd/m², between which the standard holds
LAST = 1023.0  # index at the brightest


@dataclass(frozen=True, slots=True)
class VisibleRange:
    """What a range of thickness amounts to for the eye, where the source is dimmest.

    Attributes
    ----------
    brightest, darkest : float
        Luminance at the thinnest and at the thickest, cd/m², veil included.
    contrast : float
        Brightest over darkest.
    steps : float
        Just-noticeable steps between the two.
    """

    brightest: float
    darkest: float
    contrast: float
    steps: float


def veil(viewing: Viewing) -> float:
    """Luminance that the room's light gives the face, cd/m²: E·ρ/π.

    Examples
    --------
    >>> round(veil(Viewing(room=100.0, reflectance=0.6)), 2)
    19.1
    """
    return viewing.room * viewing.reflectance / math.pi


def seen_luminance(
    thickness: ArrayLike, law: TransmittanceLaw, viewing: Viewing | None = None, source: float = 1.0
) -> Floats:
    """Luminance of a panel's face as a person sees it: L·T + E·ρ/π.

    Parameters
    ----------
    thickness : array_like
        mm, any shape.
    law : TransmittanceLaw
        The plastic's law.
    viewing : Viewing, optional
        By default the typical one.
    source : float
        Luminance of the source at that place over that at its brightest, from `evenness` to 1.

    Returns
    -------
    array of float64
        cd/m², same shape; empty for empty input.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> lit = Viewing(luminance=1000.0, room=100.0, reflectance=0.6)
    >>> seen_luminance([0.8, 3.2], ExponentialLaw(1.2), lit).round(1).tolist()
    [532.5, 88.6]
    """
    viewing = viewing or Viewing()
    return np.asarray(viewing.luminance * source * law.transmittance(thickness) + veil(viewing))


def find_visible_range(
    law: TransmittanceLaw, thinnest: float, thickest: float, viewing: Viewing | None = None
) -> VisibleRange:
    """Say what a range of thickness amounts to for the eye.

    The source's dimmest place is judged: there the veil weighs most, and the picture has to work there too.

    Parameters
    ----------
    law : TransmittanceLaw
        The plastic's law.
    thinnest, thickest : float
        mm.
    viewing : Viewing, optional
        By default the typical one.

    Raises
    ------
    PathgenError
        When the range is no range of thickness.

    Examples
    --------
    >>> from pathgen.optics.laws import TwoFluxLaw
    >>> white = find_visible_range(TwoFluxLaw(0.1, 2.0), 0.8, 3.0)
    >>> round(white.contrast, 2), round(white.steps)
    (3.97, 191)
    """
    if not 0 <= thinnest <= thickest < math.inf:
        what = f"thinnest is {thinnest:g} mm and thickest {thickest:g} mm"
        raise PathgenError(what, where="seen", allowed="0 or more, thinnest not above thickest")
    viewing = viewing or Viewing()
    bright, dark = seen_luminance([thinnest, thickest], law, viewing, viewing.evenness).tolist()
    high, low = step_index([bright, dark]).tolist()
    return VisibleRange(bright, dark, bright / dark if dark > 0 else math.inf, high - low)


def step_luminance(index: ArrayLike) -> Floats:
    """Luminance at an index of just-noticeable steps: the grayscale standard display function.

    Parameters
    ----------
    index : array_like
        1 to 1023, any shape, not only whole; what lies outside is clipped.

    Returns
    -------
    array of float64
        cd/m², 0.05 to 3993.4; same shape, empty for empty input.

    Notes
    -----
    DICOM PS3.14, section 7.1: one step of the index is what a standard observer just notices of a standard
    target.

    Examples
    --------
    >>> step_luminance([1, 512, 1023]).round(2).tolist()
    [0.05, 130.07, 3993.33]
    """
    ln = np.log(np.clip(np.asarray(index, dtype=np.float64), 1.0, LAST))
    return np.asarray(10 ** (_polynomial(_OVER, ln) / _polynomial(_UNDER, ln)))


def step_index(luminance: ArrayLike) -> Floats:
    """Index of just-noticeable steps at a luminance: the inverse that the standard gives.

    Parameters
    ----------
    luminance : array_like
        cd/m², any shape; what lies outside 0.05 to 3993.4, where the standard says nothing, is clipped.

    Returns
    -------
    array of float64
        1 to 1023; same shape, empty for empty input.

    Notes
    -----
    DICOM PS3.14, section 7.1; a polynomial fitted to `step_luminance`, off by less than 0.1 step.

    Examples
    --------
    >>> step_index([1.0, 10.0, 100.0]).round(1).tolist()
    [71.5, 216.9, 476.4]
    """
    log = np.log10(np.clip(np.asarray(luminance, dtype=np.float64), DIMMEST, BRIGHTEST))
    return np.asarray(np.clip(_polynomial(_INDEX, log), 1.0, LAST))


def _polynomial(terms: tuple[float, ...], x: NDArray[np.float64]) -> Floats:
    return np.asarray(np.polynomial.polynomial.polyval(x, terms))
