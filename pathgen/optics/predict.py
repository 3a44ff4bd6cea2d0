"""What a panel will show when lit from behind, before it is made."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pathgen.optics.laws import Floats, TransmittanceLaw
from pathgen.optics.thickness import in_blocks


def backlit(thickness: NDArray[np.floating], law: TransmittanceLaw, thinnest: float | None = None) -> Floats:
    """Luminance of a panel before an even light, relative to that of the picture's white.

    Parameters
    ----------
    thickness : array, any shape
        mm.
    law : TransmittanceLaw
        The plastic's law.
    thinnest : float, optional
        Thickness that counts as white, mm. By default the thinnest there is.

    Returns
    -------
    array of float64
        Luminance, 1 where the panel is `thinnest`, above 1 where it is thinner still; same shape, empty for
        empty input. Light that spreads sideways inside the wall is not part of it.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> backlit(np.array([0.8, 2.0, 3.2]), ExponentialLaw(1.2)).round(4).tolist()
    [1.0, 0.3679, 0.1353]
    """
    if not thickness.size:
        return np.empty(thickness.shape, dtype=np.float64)
    white = float(law.transmittance(np.min(thickness) if thinnest is None else thinnest))
    return in_blocks(lambda block: law.transmittance(block) / white, thickness)


def contrast(law: TransmittanceLaw, thinnest: float, thickest: float) -> float:
    """Ratio of the brightest luminance a panel can show to the darkest; infinite where nothing comes through.

    Parameters
    ----------
    law : TransmittanceLaw
        The plastic's law.
    thinnest, thickest : float
        mm.

    Examples
    --------
    >>> from pathgen.optics.laws import TwoFluxLaw
    >>> round(contrast(TwoFluxLaw(0.1, 2.0), 1.0, 2.0), 4)
    2.1351
    """
    brightest, darkest = law.transmittance([thinnest, thickest])
    return float(brightest / darkest) if darkest > 0 else float("inf")


def density(transmittance: ArrayLike) -> Floats:
    """Optical density of transmission D = −log10 T (ISO 5-2), infinite where nothing comes through.

    Parameters
    ----------
    transmittance : array_like
        0 to 1, any shape.

    Returns
    -------
    array of float64
        Density, same shape; empty for empty input.

    Examples
    --------
    >>> density([1.0, 0.1, 0.0]).tolist()
    [0.0, 1.0, inf]
    """
    with np.errstate(divide="ignore"):
        return np.asarray(-np.log10(np.asarray(transmittance, dtype=np.float64)) + 0.0)
