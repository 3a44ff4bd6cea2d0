"""Prediction of a panel's backlit picture from its thickness."""

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
from pathgen.optics.thickness import map_blocks

RATIO = 1.25  # of the widths of neighbouring copies
NEGLIGIBLE = 1e-6  # pixels; a spread that grows by less over the whole wall counts as constant


def backlit(thickness: NDArray[np.floating], law: TransmittanceLaw, thinnest: float | None = None) -> Floats:
    """Return the luminance of an evenly backlit panel, relative to white, without any blur.

    Parameters
    ----------
    thickness : array, any shape
        mm.
    law : TransmittanceLaw
        Law of the plastic.
    thinnest : float, optional
        Thickness of white, mm. By default the minimum of `thickness`.

    Returns
    -------
    array of float64
        Luminance, 1 where the panel is `thinnest`, above 1 where it is thinner; same shape, empty for empty
        input. Lateral spread of light inside the wall is not included; see `viewed`.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> backlit(np.array([0.8, 2.0, 3.2]), ExponentialLaw(1.2)).round(4).tolist()
    [1.0, 0.3679, 0.1353]
    """
    if not thickness.size:
        return np.empty(thickness.shape, dtype=np.float64)
    white = float(law.transmittance(np.min(thickness) if thinnest is None else thinnest))
    return np.asarray(map_blocks(lambda block: law.transmittance(block) / white, thickness), np.float64)


def viewed(
    thickness: NDArray[np.floating],
    law: TransmittanceLaw,
    pixel: float,
    layer: float = 0.0,
    nozzle: float = 0.0,
    spread: tuple[float, float] = (0.0, 0.0),
    thinnest: float | None = None,
) -> Blurred:
    """Return the luminance of an evenly backlit panel, blurred by nozzle, layers and wall.

    The deposit is smeared over the nozzle diameter along u and over the layer height along z. The light that
    passes through a point of thickness t spreads as a Gaussian of standard deviation s0 + s1·t.

    Parameters
    ----------
    thickness : (rows, cols) array
        mm, row 0 at the top.
    law : TransmittanceLaw
        Law of the plastic.
    pixel : float
        Pixel spacing, mm.
    layer, nozzle : float
        Layer height and nozzle diameter, mm; 0 for no smear.
    spread : (float, float)
        s0 in mm and s1 in mm per mm.
    thinnest : float, optional
        Thickness of white, mm. By default the minimum of `thickness`.

    Returns
    -------
    (rows, cols) array
        Luminance, 1 for a large area of `thinnest`. Its sum equals that of `backlit` for the smeared wall.
        float32 for float32 input, otherwise float64; empty for empty input.

    Raises
    ------
    PathgenError
        For lengths below 0, a pixel not above 0, a spread too wide for the pixel, and NaN.

    Examples
    --------
    >>> from pathgen.optics.laws import ExponentialLaw
    >>> edge = np.repeat([[0.8, 3.0]], 3, axis=1)
    >>> viewed(edge, ExponentialLaw(1.2), 0.1, nozzle=0.2, spread=(0.05, 0.0)).round(2).tolist()
    [[1.0, 0.94, 0.65, 0.31, 0.18, 0.16]]
    """
    if not thickness.size:
        return np.empty(thickness.shape, working_precision(thickness))
    low, high = float(np.min(thickness)), float(np.max(thickness))
    if math.isnan(low):
        raise PathgenError("the thickness contains NaN", where="thickness", allowed="numbers from 0 mm")
    white = low if thinnest is None else thinnest
    model = PictureModel(law, pixel, layer, nozzle, spread, white, (low, high))
    return model.luminance(model.wall(thickness))


@dataclass(frozen=True)
class PictureModel:
    """Model of the backlit picture of a thickness map, with its adjoint.

    Attributes
    ----------
    law : TransmittanceLaw
    pixel, layer, nozzle : float
        mm.
    spread : (float, float)
        s0 in mm, s1 in mm per mm.
    white : float
        Thickness of white, mm.
    between : (float, float)
        Range of thickness in which the spread grows, mm; it is constant beyond.

    Notes
    -----
    A spread whose width varies from place to place is approximated by a sum of a few copies of the picture,
    each blurred by one width. Every place contributes to the two copies nearest to its own width, with
    weights linear in the variance. The weights add up to 1, so the total light is conserved, and the variance
    of the spread is exact.
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
        """Standard deviations of the blurred copies, ascending, mm; only one if the spread is constant."""
        start, growth = self.spread
        low, high = (start + growth * t for t in self.between)
        if not (start >= 0 and growth >= 0):
            what = f"spread is {start:g} mm and spread growth {growth:g} mm per mm"
            raise PathgenError(
                what, where="spread", allowed="values of 0 or more for `spread` and `spread_growth`"
            )
        if not high - low > NEGLIGIBLE * self.pixel:
            return (low,)
        # Above about a pixel, widths differ by their ratio; below, they are nearly equivalent.
        ease = self.pixel / 4
        count = 2 + int(math.log((high + ease) / (low + ease)) / math.log(RATIO))
        # Python floats, because numpy's would convert single precision to double.
        return tuple((np.geomspace(low + ease, high + ease, count) - ease).clip(low, high).tolist())

    def wall(self, thickness: NDArray[np.floating]) -> Blurred:
        """Return the thickness after the blur by nozzle and layers, a self-adjoint operation."""
        return blur.smear_layers(blur.smear(thickness, self.nozzle, self.pixel), self.layer, self.pixel)

    def unblurred(self, wall: NDArray[np.floating]) -> Blurred:
        """Return the luminance at each point without spread of light."""
        return self._relative(self.law.transmittance, wall)

    def slope(self, wall: NDArray[np.floating]) -> Blurred:
        """Return the derivative of the unblurred luminance with respect to thickness, 1/mm; at most 0."""
        return self._relative(self.law.slope, wall)

    def luminance(self, wall: NDArray[np.floating]) -> Blurred:
        """Return the luminance of a wall that is already smeared by nozzle and layers."""
        light = self.unblurred(wall)
        if len(self.widths) == 1:
            return blur.spread_light(light, self.widths[0], self.pixel)
        # A blur is a product in the cosine transform, so one inverse transform serves all copies.
        variance, share = self._variance(wall), np.ones_like(light)
        total = np.zeros_like(light)
        for k, width in enumerate(self.widths):
            beyond = self._share_beyond(variance, k + 1)
            total += dctn(light * (share - beyond), overwrite_x=True) * self._light_response(light, width)
            share = beyond
        return np.asarray(idctn(total, overwrite_x=True))

    def gradient(self, wall: NDArray[np.floating], weight: NDArray[np.floating]) -> Blurred:
        """Return the gradient of Σ weight·luminance with respect to unsmeared thickness, 1/mm."""
        slope = self.slope(wall)
        if len(self.widths) == 1:
            return self.wall(slope * blur.spread_light(weight, self.widths[0], self.pixel))
        variance = self._variance(wall)
        waves = dctn(weight)
        copy = idctn(waves * self._light_response(weight, self.widths[0]), overwrite_x=True)
        mixed, moved = copy.copy(), np.zeros_like(copy)
        for k in range(1, len(self.widths)):
            wider = idctn(waves * self._light_response(weight, self.widths[k]), overwrite_x=True)
            low, high = (width**2 for width in self.widths[k - 1 : k + 1])
            inside = (variance >= low) & (variance < high)
            copy -= wider
            mixed -= self._share_beyond(variance, k) * copy
            moved -= np.where(inside, copy, 0) * (1 / (high - low))
            copy = wider
        moved *= 2 * self.spread[1] * np.sqrt(variance)
        return self.wall(slope * mixed + self.unblurred(wall) * moved)

    def response(self, shape: tuple[int, int], thickness: float) -> Floats:
        """Return the frequency response (DCT-II) of all blurs, for a wall of constant thickness."""
        up = blur.frequency_response(blur.layer_weights(self.layer, self.pixel), shape[0])
        along = blur.frequency_response(blur.nozzle_weights(self.nozzle, self.pixel), shape[1])
        light = self._light_response(np.empty(shape), self.spread[0] + self.spread[1] * thickness)
        return np.outer(up, along) * light

    def _light_response(self, light: NDArray[np.floating], width: float) -> Blurred:
        """Return the frequency response (DCT-II) of a spread of one width."""
        weights = blur.gaussian_weights(width, self.pixel)
        return np.outer(*(blur.frequency_response(weights, n).astype(light.dtype) for n in light.shape))

    def _variance(self, wall: NDArray[np.floating]) -> Blurred:
        start, growth = self.spread
        width = np.clip(start + growth * wall, self.widths[0], self.widths[-1])
        return np.asarray(np.square(width), working_precision(wall))

    def _share_beyond(self, variance: Blurred, k: int) -> Blurred:
        """Return the fraction of each point's light that belongs to blurred copy `k` or to wider copies."""
        if k == len(self.widths):
            return np.zeros_like(variance)
        low, high = (width**2 for width in self.widths[k - 1 : k + 1])
        return np.asarray(np.clip((variance - low) * (1 / (high - low)), 0.0, 1.0))

    def _relative(self, function: Callable[[ArrayLike], Floats], wall: NDArray[np.floating]) -> Blurred:
        """Return a transmittance, or its slope, divided by the transmittance of white."""
        scale = 1 / float(self.law.transmittance(self.white))
        return map_blocks(lambda block: function(block) * scale, wall, working_precision(wall))


def working_precision(values: NDArray[np.floating]) -> type[np.floating]:
    """Return float32 for float32 values, otherwise float64."""
    return np.float32 if values.dtype == np.float32 else np.float64
