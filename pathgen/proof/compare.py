"""Comparison of a program with its target thickness map: thickness, volumes and pictures."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.files.quantities import Quantity, Row, flatten
from pathgen.panel.bend import column_area
from pathgen.picture import check_thickness, lightness, resample
from pathgen.proof.deposit_map import DepositMap, inside_ends, thickness_error, top_first
from pathgen.proof.frame import SNAP
from pathgen.proof.panel_replay import Effects, PanelReplay, replay

__all__ = ["Comparison", "Effects", "PanelReplay", "compare", "match_sizes", "replay"]

Floats = NDArray[np.float64]

WINDOW = 7  # pixels, side of the window of the structural similarity


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Differences between a replayed panel and its target, as replayed minus target.

    Attributes
    ----------
    gap : (rows, cols) float64
        Thickness error, mm, as the viewer sees the panel; on the pixels of the target, or of the panel if the
        target was resampled.
    wanted : (rows, cols) float64
        Target thickness on the same pixels, mm.
    thickness_rms_mm, thickness_bias_mm, thickness_p99_mm, thickness_max_mm : float
        Root mean square and mean of `gap`, 99th percentile and maximum of its absolute value, ends excluded.
    layer_volume_rms_share, layer_volume_max_share : float
        Relative error of the volumes of whole layers, ends included: root mean square and largest magnitude.
    lightness_rms, lightness_p99 : float or None
        Error of the predicted picture, ends excluded, in CIE L* relative to the picture's white; holes are
        brighter than white. None if the material is unknown, as are the next two.
    ssim : float or None
        Structural similarity of the lightness of both pictures; None for panels smaller than 3 pixels.
    psnr_db : float or None
        Peak signal-to-noise ratio for a peak of 100 L*; infinite for equal pictures.
    """

    gap: Floats
    wanted: Floats
    thickness_rms_mm: Annotated[float, Quantity("mm", "thickness error, RMS")]
    thickness_bias_mm: Annotated[float, Quantity("mm", "thickness error, mean")]
    thickness_p99_mm: Annotated[float, Quantity("mm", "thickness error, 99th percentile of absolute value")]
    thickness_max_mm: Annotated[float, Quantity("mm", "thickness error, maximum absolute value")]
    layer_volume_rms_share: Annotated[float, Quantity("share", "error of whole layers' volumes, RMS")]
    layer_volume_max_share: Annotated[
        float, Quantity("share", "error of whole layers' volumes, maximum absolute value")
    ]
    lightness_rms: Annotated[float | None, Quantity("L*", "error of the backlit picture, RMS")] = None
    lightness_p99: Annotated[
        float | None, Quantity("L*", "error of the backlit picture, 99th percentile of absolute value")
    ] = None
    ssim: Annotated[float | None, Quantity("1", "structural similarity of both pictures' lightness")] = None
    psnr_db: Annotated[
        float | None, Quantity("dB", "peak signal to noise; empty if there is no difference")
    ] = None

    def as_dict(self) -> Row:
        """Return the results as a flat dictionary for JSON, with None in place of infinity."""
        figures = flatten(self).items()
        return {key: None if value is None or math.isinf(value) else value for key, value in figures}


def compare(found: PanelReplay, wanted: NDArray[np.floating], *, ends: float = 0.0) -> Comparison:
    """Compare a replayed panel with its target thickness map.

    The first layer is higher than the others and covers several rows of the map, so it can only match their
    mean. The deposited thickness is therefore constant over these rows, and differences between the target
    rows count as errors. If the foot of the panel is a rim, there are none.

    The spread of light, if it is part of the replay, applies to both walls. Nozzle smear and pressure lag
    belong to the program and apply to the replayed wall only.

    Parameters
    ----------
    found : PanelReplay
    wanted : (rows, cols) array
        Target thickness, mm, as the viewer sees the whole panel; row 0 at the top. 0 means no wall, and is
        excluded from the picture figures. A map with other pixels than the panel's is resampled.
    ends : float
        mm at both ends of every piece of wall to exclude.

    Returns
    -------
    Comparison

    Raises
    ------
    PathgenError
        If the array is not a thickness map, differs from the panel in aspect ratio, or has no wall between
        the ends.
    """
    target = check_thickness(np.asarray(wanted), "target thickness")
    if not target.any():
        raise PathgenError("the target thickness is 0 everywhere", where="target thickness")
    view = found.panel.view
    deposited, target = match_sizes(found.deposited, view.standing(target))
    thickness = deposited.upright(len(target))
    pixel = deposited.frame.pixel
    inner = inside_ends(target, ends, pixel)
    error = thickness_error(thickness, target, ends=ends, pixel=pixel)
    share = _volume_errors(deposited, target)
    picture: dict[str, float | None] = {}
    if found.material is not None and (target[inner] > 0).any():
        ours, theirs = (lightness(found.backlight(wall)) for wall in (thickness, target))
        picture = _picture_errors(ours, theirs, inner & (target > 0))
    return Comparison(
        gap=view.upright(thickness - target),
        wanted=view.upright(target),
        thickness_rms_mm=error["rms"],
        thickness_bias_mm=error["bias"],
        thickness_p99_mm=error["p99"],
        thickness_max_mm=error["max"],
        layer_volume_rms_share=float(np.sqrt(np.mean(share**2))),
        layer_volume_max_share=float(np.abs(share).max()),
        **picture,
    )


def match_sizes(deposited: DepositMap, wanted: Floats) -> tuple[DepositMap, Floats]:
    """Resample a deposit map and a target map to the same height and number of columns.

    The height of a panel is rounded to whole layers. The top layer is stretched to the top of the target map,
    so that rows stay aligned. A target map with a different number of columns is resampled.

    Raises
    ------
    PathgenError
        If the map differs from the panel in aspect ratio.
    """
    frame, (rows, cols), columns = deposited.frame, wanted.shape, deposited.volume.shape[1]
    top, pixel = float(frame.tops[-1]), frame.width / cols
    below = top - float(frame.heights[-1])
    if abs(rows * pixel - top) > 1.001 * max(pixel, float(frame.heights[-1])):
        what = f"a target map of {cols} × {rows} pixels does not fit a panel of {frame.width:g} × {top:g} mm"
        allowed = f"the panel's proportions, such as {columns} × {max(1, round(top / frame.pixel))} pixels"
        hint = "use the map of this program, or state the panel's size and position with --width and --origin"
        raise PathgenError(what, where="target thickness", allowed=allowed, hint=hint)
    if cols != columns:
        return deposited, resample(wanted, max(1, round(top / frame.pixel)), columns)
    if rows * pixel <= below or abs(rows * pixel - top) < SNAP:
        return deposited, wanted
    tops, volume = frame.tops.copy(), deposited.volume.copy()
    tops[-1] = rows * pixel
    volume[0] *= (tops[-1] - below) / (top - below)
    return replace(deposited, volume=volume, frame=replace(frame, tops=tops)), wanted


def _volume_errors(deposited: DepositMap, wanted: Floats) -> Floats:
    """Return the relative volume error of each layer with a target volume above 0."""
    frame = deposited.frame
    area = wanted if frame.bend is None else column_area(wanted, frame.bend.radius)
    rows = np.cumsum(top_first(area) @ np.diff(frame.borders)) * (frame.tops[-1] / len(wanted))
    edges = np.linspace(0.0, frame.tops[-1], len(wanted) + 1)
    target = np.diff(np.interp([0.0, *frame.tops], edges, [0.0, *rows]))
    made = top_first(deposited.volume).sum(axis=1) / deposited.packing
    return np.asarray(made[target > 0] / target[target > 0] - 1)


def _picture_errors(ours: Floats, theirs: Floats, wall: NDArray[np.bool_]) -> dict[str, float | None]:
    """Compare the lightness of two pictures within a mask."""
    from skimage.metrics import peak_signal_noise_ratio, structural_similarity

    gap = (ours - theirs)[wall]
    ours = np.where(wall, ours, theirs)  # pixels outside it must not influence windows that overlap it
    window = min(WINDOW, *wall.shape)
    window -= 1 - window % 2
    similarity = None
    if window >= 3:
        # The mean excludes the border where the window is incomplete, and pixels without wall.
        local = structural_similarity(theirs, ours, data_range=100.0, win_size=window, full=True)[1]
        inner = (slice(window // 2, -(window // 2)),) * 2
        similarity = float(local[inner][wall[inner]].mean()) if wall[inner].any() else None
    noise = peak_signal_noise_ratio(theirs[wall], ours[wall], data_range=100.0) if gap.any() else math.inf
    return {
        "lightness_rms": float(np.sqrt(np.mean(gap**2))),
        "lightness_p99": float(np.percentile(np.abs(gap), 99)),
        "ssim": similarity,
        "psnr_db": float(noise),
    }
