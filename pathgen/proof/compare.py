"""A written program against the thickness map that was wanted: wall, amounts, and the picture of both."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.panel.bend import column_area
from pathgen.picture import check_thickness, lightness, resample
from pathgen.proof.deposit_map import DepositMap, inside_ends, thickness_error, top_first
from pathgen.proof.frame import SNAP
from pathgen.proof.panel_replay import Effects, Replayed, Row, replay

__all__ = ["Comparison", "Effects", "Replayed", "compare", "match_sizes", "replay"]

Floats = NDArray[np.float64]

WINDOW = 7  # pixels, side of the window that structural similarity looks through


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """How far what a program makes is from what was wanted: found less wanted.

    Attributes
    ----------
    gap : (rows, cols) float64
        Thickness error on the wanted map's pixels, or the panel's where the map was resampled, mm; as the
        viewer sees the panel.
    wanted : (rows, cols) float64
        What was wanted there, mm.
    thickness_rms_mm, thickness_bias_mm, thickness_p99_mm, thickness_max_mm : float
        Of `gap` between the ends: root mean square, mean, 99th percentile and largest of its absolute value.
    layer_volume_rms_share, layer_volume_max_share : float
        Relative error of whole layers' volumes, ends included: root mean square, and largest absolute.
    lightness_rms, lightness_p99 : float or None
        Error of the predicted picture between the ends in CIE L*, white at the picture's white; a hole is
        brighter than that. None where the material is not known, as for the next two.
    ssim : float or None
        Structural similarity of both pictures' lightness; None for a panel under 3 pixels.
    psnr_db : float or None
        Peak signal (100 L*) to noise, infinite where nothing differs.
    """

    gap: Floats
    wanted: Floats
    thickness_rms_mm: float
    thickness_bias_mm: float
    thickness_p99_mm: float
    thickness_max_mm: float
    layer_volume_rms_share: float
    layer_volume_max_share: float
    lightness_rms: float | None = None
    lightness_p99: float | None = None
    ssim: float | None = None
    psnr_db: float | None = None

    def as_dict(self) -> Row:
        """Give the figures as a flat row; None also for what is infinite, which JSON has no word for."""
        row = {f.name: getattr(self, f.name) for f in fields(self) if f.name not in ("gap", "wanted")}
        return {key: None if value is None or math.isinf(value) else value for key, value in row.items()}


def compare(found: Replayed, wanted: NDArray[np.floating], *, ends: float = 0.0) -> Comparison:
    """Compare what a program makes with the thickness map that was wanted.

    The first layer is higher than the others: it covers several rows of the map and can only make their mean.
    So the lowest rows are compared with one thickness, the same in all of them, and what they differ by
    among themselves is part of the error. Where a rim is at the foot, they do not differ.

    Light spreads alike in the wanted wall and in the one found, if it was asked to; nozzle and pressure are
    the program's own, and smear only what was found.

    Parameters
    ----------
    found : Replayed
    wanted : (rows, cols) array
        mm, as the viewer sees the whole panel, row 0 at the top; 0 where there is to be no wall, which the
        picture's figures leave out. Of another spacing it is resampled.
    ends : float
        mm at either end of every stretch of wall that are left out.

    Returns
    -------
    Comparison

    Raises
    ------
    PathgenError
        When the map is none, has other proportions than the panel, or nothing is left between the ends.
    """
    target = check_thickness(np.asarray(wanted), "wanted thickness")
    if not target.any():
        raise PathgenError("no wall was wanted: the map is 0 everywhere", where="wanted thickness")
    view = found.standing.view
    laid, target = match_sizes(found.laid, view.standing(target))
    thickness = laid.upright(len(target))
    pixel = laid.frame.pixel
    inner = inside_ends(target, ends, pixel)
    error = thickness_error(thickness, target, ends=ends, pixel=pixel)
    share = _volume_errors(laid, target)
    seen: dict[str, float | None] = {}
    if found.material is not None and (target[inner] > 0).any():
        ours, theirs = (lightness(found.lit(wall)) for wall in (thickness, target))
        seen = _picture_errors(ours, theirs, inner & (target > 0))
    return Comparison(
        gap=view.upright(thickness - target),
        wanted=view.upright(target),
        thickness_rms_mm=error["rms"],
        thickness_bias_mm=error["bias"],
        thickness_p99_mm=error["p99"],
        thickness_max_mm=error["max"],
        layer_volume_rms_share=float(np.sqrt(np.mean(share**2))),
        layer_volume_max_share=float(np.abs(share).max()),
        **seen,
    )


def match_sizes(laid: DepositMap, wanted: Floats) -> tuple[DepositMap, Floats]:
    """Bring a deposit map and a wanted map to the same panel.

    A panel's height is rounded to whole layers; the top layer is taken to reach the wanted map's top, so that
    rows do not slip against each other on the way up. A map of another number of columns is resampled.

    Raises
    ------
    PathgenError
        When the map has other proportions than the panel.
    """
    frame, (rows, cols), columns = laid.frame, wanted.shape, laid.volume.shape[1]
    top, spacing = float(frame.tops[-1]), frame.width / cols
    below = top - float(frame.heights[-1])
    if abs(rows * spacing - top) > 1.001 * max(spacing, float(frame.heights[-1])):
        what = f"wanted map of {cols} × {rows} pixels for a panel of {frame.width:g} × {top:g} mm"
        allowed = f"the panel's proportions, as with {columns} × {max(1, round(top / frame.pixel))} pixels"
        hint = "is it this program's map? --width and --origin say where the panel stands"
        raise PathgenError(what, where="wanted thickness", allowed=allowed, hint=hint)
    if cols != columns:
        return laid, resample(wanted, max(1, round(top / frame.pixel)), columns)
    if rows * spacing <= below or abs(rows * spacing - top) < SNAP:
        return laid, wanted
    tops, volume = frame.tops.copy(), laid.volume.copy()
    tops[-1] = rows * spacing
    volume[0] *= (tops[-1] - below) / (top - below)
    return replace(laid, volume=volume, frame=replace(frame, tops=tops)), wanted


def _volume_errors(laid: DepositMap, wanted: Floats) -> Floats:
    """Relative error of the volume of each layer in which there is to be wall."""
    frame = laid.frame
    area = wanted if frame.bend is None else column_area(wanted, frame.bend.radius)
    rows = np.cumsum(top_first(area) @ np.diff(frame.borders)) * (frame.tops[-1] / len(wanted))
    edges = np.linspace(0.0, frame.tops[-1], len(wanted) + 1)
    due = np.diff(np.interp([0.0, *frame.tops], edges, [0.0, *rows]))
    made = top_first(laid.volume).sum(axis=1) / laid.packing
    return np.asarray(made[due > 0] / due[due > 0] - 1)


def _picture_errors(ours: Floats, theirs: Floats, wall: NDArray[np.bool_]) -> dict[str, float | None]:
    """Compare two pictures' lightness where there is wall that counts."""
    from skimage.metrics import peak_signal_noise_ratio, structural_similarity

    gap = (ours - theirs)[wall]
    ours = np.where(wall, ours, theirs)  # what does not count must not show in the windows beside it
    window = min(WINDOW, *wall.shape)
    window -= 1 - window % 2
    alike = None
    if window >= 3:
        # Its mean leaves out a border in which the window is cut; so does this one, of the wall alone.
        local = structural_similarity(theirs, ours, data_range=100.0, win_size=window, full=True)[1]
        inner = (slice(window // 2, -(window // 2)),) * 2
        alike = float(local[inner][wall[inner]].mean()) if wall[inner].any() else None
    noise = peak_signal_noise_ratio(theirs[wall], ours[wall], data_range=100.0) if gap.any() else math.inf
    return {
        "lightness_rms": float(np.sqrt(np.mean(gap**2))),
        "lightness_p99": float(np.percentile(np.abs(gap), 99)),
        "ssim": alike,
        "psnr_db": float(noise),
    }
