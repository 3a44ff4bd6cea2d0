"""What a panel will show when lit from behind, before it is made."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.fft import dctn, idctn

from pathgen.deposit import blur
from pathgen.deposit.blur import Blurred
from pathgen.errors import PathgenError
from pathgen.optics.laws import Floats, TransmittanceLaw
from pathgen.optics.thickness import BLOCK, in_blocks

RATIO = 1.25  # of the widths of neighbouring copies
ALIKE = 1e-6  # pixels; a spread that grows by less over all the wall does not grow


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


def viewed(
    thickness: NDArray[np.floating],
    law: TransmittanceLaw,
    pixel: float,
    layer: float = 0.0,
    nozzle: float = 0.0,
    spread: tuple[float, float] = (0.0, 0.0),
    thinnest: float | None = None,
) -> Blurred:
    """Luminance of a panel before an even light, blurred as nozzle, layers and the wall blur it.

    What is deposited is smeared over the nozzle along u and over a layer's height along z; of the light that
    comes through a wall of thickness t, each point's share spreads by a Gaussian of standard deviation
    s0 + s1·t, t being the wall's at that point.

    Parameters
    ----------
    thickness : (rows, cols) array
        mm, row 0 at the top.
    law : TransmittanceLaw
        The plastic's law.
    pixel : float
        Spacing of the map, mm.
    layer, nozzle : float
        Height of a layer and nozzle diameter, mm; 0 does not smear.
    spread : (float, float)
        s0 in mm and s1 in mm per mm.
    thinnest : float, optional
        Thickness that counts as white, mm. By default the thinnest there is.

    Returns
    -------
    (rows, cols) array
        Luminance, 1 where a wide wall is `thinnest`. Its sum is that of `backlit` of the smeared wall.
        float32 for float32, else float64; empty for empty input.

    Raises
    ------
    PathgenError
        For lengths below 0, a pixel not above 0, spreads too wide for the pixel, and where the thickness is
        not a number.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> edge = np.repeat([[0.8, 3.0]], 3, axis=1)
    >>> viewed(edge, ExponentialLaw(1.2), 0.1, nozzle=0.2, spread=(0.05, 0.0)).round(2).tolist()
    [[1.0, 0.94, 0.65, 0.31, 0.18, 0.16]]
    """
    if not thickness.size:
        return np.empty(thickness.shape, working(thickness))
    low, high = float(np.min(thickness)), float(np.max(thickness))
    if math.isnan(low):
        raise PathgenError("thickness is not a number somewhere", where="thickness", allowed="0 mm or more")
    sight = PictureModel(
        law, pixel, layer, nozzle, spread, low if thinnest is None else thinnest, (low, high)
    )
    return sight.luminance(sight.wall(thickness))


@dataclass(frozen=True)
class PictureModel:
    """How a thickness map becomes the picture seen, and the way back for small changes (the adjoint).

    Attributes
    ----------
    law : TransmittanceLaw
    pixel, layer, nozzle : float
        mm.
    spread : (float, float)
        s0 in mm, s1 in mm per mm.
    white : float
        Thickness that counts as white, mm.
    between : (float, float)
        Thickness in mm beyond which the spread grows no further.

    Notes
    -----
    Light that spreads by a width that changes from place to place is the sum of a few copies, each blurred by
    one width; a place gives its light to the two copies next to its own width, in shares linear in the
    variance. So shares add up to 1 and keep all light, and the variance of what a place gives is exact.
    """

    law: TransmittanceLaw
    pixel: float
    layer: float
    nozzle: float
    spread: tuple[float, float]
    white: float
    between: tuple[float, float]

    @cached_property
    def widths(self) -> tuple[float, ...]:
        """Standard deviations of the copies, mm, rising; a single one where the spread does not grow."""
        start, growth = self.spread
        low, high = (start + growth * t for t in self.between)
        if not (start >= 0 and growth >= 0):
            what = f"spread is {start:g} mm and {growth:g} mm per mm"
            raise PathgenError(what, where="spread", allowed="0 or more, both")
        if not high - low > ALIKE * self.pixel:
            return (low,)
        # Below about a pixel widths are hard to tell apart, beyond it their ratio counts.
        ease = self.pixel / 4
        count = 2 + int(math.log((high + ease) / (low + ease)) / math.log(RATIO))
        # Plain floats: numpy's own would turn single precision into double.
        return tuple((np.geomspace(low + ease, high + ease, count) - ease).clip(low, high).tolist())

    def wall(self, thickness: NDArray[np.floating]) -> Blurred:
        """Thickness as it is deposited: smeared along u and z; `wall` is also its own adjoint."""
        along = blur.smear(thickness, self.nozzle, self.pixel)
        return blur.even_out(along, self.layer, self.pixel)

    def unblurred(self, wall: NDArray[np.floating]) -> Blurred:
        """Luminance of each point if light did not spread."""
        return self._through(self.law.transmittance, wall)

    def steepness(self, wall: NDArray[np.floating]) -> Blurred:
        """Change of that luminance with thickness, 1/mm; never positive."""
        return self._through(self.law.slope, wall)

    def luminance(self, wall: NDArray[np.floating]) -> Blurred:
        """Luminance that a wall, already smeared, is seen with."""
        light = self.unblurred(wall)
        if len(self.widths) == 1:
            return blur.spread_light(light, self.widths[0], self.pixel)
        # A blur is a product in the cosine transform, so all copies come back from it as one.
        variance, share = self._variance(wall), np.ones_like(light)
        total = np.zeros_like(light)
        for k, width in enumerate(self.widths):
            beyond = self._beyond(variance, k + 1)
            total += dctn(light * (share - beyond), overwrite_x=True) * self._left(light, width)
            share = beyond
        return np.asarray(idctn(total, overwrite_x=True))

    def pull(self, wall: NDArray[np.floating], weight: NDArray[np.floating]) -> Blurred:
        """Give the derivative of Σ weight·luminance by the thickness that gave `wall`, 1/mm."""
        steep = self.steepness(wall)
        if len(self.widths) == 1:
            return self.wall(steep * blur.spread_light(weight, self.widths[0], self.pixel))
        variance = self._variance(wall)
        turn = 2 * self.spread[1] * np.sqrt(variance)
        waves = dctn(weight)
        copy = idctn(waves * self._left(weight, self.widths[0]), overwrite_x=True)
        mixed, moved = copy.copy(), np.zeros_like(copy)
        for k in range(1, len(self.widths)):
            wider = idctn(waves * self._left(weight, self.widths[k]), overwrite_x=True)
            low, high = (width**2 for width in self.widths[k - 1 : k + 1])
            inside = (variance >= low) & (variance < high)
            copy -= wider
            mixed -= self._beyond(variance, k) * copy
            moved -= np.where(inside, copy, 0) * (1 / (high - low))
            copy = wider
        moved *= turn
        return self.wall(steep * mixed + self.unblurred(wall) * moved)

    def response(self, shape: tuple[int, int], thickness: float) -> Floats:
        """Factor that all blurs leave of each wave of the cosine transform (DCT-II), at a thickness."""
        up = blur.response(blur.layer_weights(self.layer, self.pixel), shape[0])
        along = blur.response(blur.nozzle_weights(self.nozzle, self.pixel), shape[1])
        light = self._left(np.empty(shape), self.spread[0] + self.spread[1] * thickness)
        return np.outer(up, along) * light

    def _left(self, light: NDArray[np.floating], width: float) -> Blurred:
        """Factor left of each wave of the cosine transform by a spread of one width."""
        weights = blur.gaussian_weights(width, self.pixel)
        up, along = (blur.response(weights, count).astype(light.dtype) for count in light.shape)
        return np.outer(up, along)

    def _variance(self, wall: NDArray[np.floating]) -> Blurred:
        start, growth = self.spread
        width = np.clip(start + growth * wall, self.widths[0], self.widths[-1])
        return np.asarray(np.square(width), working(wall))

    def _beyond(self, variance: Blurred, k: int) -> Blurred:
        """Share of a place's light that goes to copy k and those wider."""
        if k == len(self.widths):
            return np.zeros_like(variance)
        low, high = (width**2 for width in self.widths[k - 1 : k + 1])
        return np.asarray(np.clip((variance - low) * (1 / (high - low)), 0.0, 1.0))

    def _through(self, figure: Callable[[ArrayLike], Floats], wall: NDArray[np.floating]) -> Blurred:
        """Transmittance, or its slope, over that of white; block by block, in the wall's own precision."""
        scale = 1 / float(self.law.transmittance(self.white))
        flat = np.ravel(wall)
        out = np.empty(flat.shape, working(wall))
        for first in range(0, flat.size, BLOCK):
            out[first : first + BLOCK] = figure(flat[first : first + BLOCK]) * scale
        return out.reshape(wall.shape)


def working(values: NDArray[np.floating]) -> type[np.floating]:
    """Precision that values are worked on in: float32 stays, all else is float64."""
    return np.float32 if values.dtype == np.float32 else np.float64


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
