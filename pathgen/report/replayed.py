"""Pictures of a replayed program: what it shows when lit, its thickness, and where that is wrong."""

from __future__ import annotations

from io import BytesIO

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

from pathgen.picture import encode_srgb

DPI = 110
WIDE = 9.0  # inches


def backlit_png(luminance: NDArray[np.floating]) -> bytes:
    """Spell a predicted picture as a grey PNG, one pixel a pixel of the map.

    Parameters
    ----------
    luminance : (rows, cols) array
        Linear, 1 for white; what lies outside 0 to 1 is clipped.
    """
    codes = np.rint(255 * encode_srgb(np.clip(luminance, 0.0, 1.0))).astype(np.uint8)
    buffer = BytesIO()
    Image.fromarray(codes).save(buffer, "PNG")
    return buffer.getvalue()


def thickness_png(thickness: NDArray[np.floating], size: tuple[float, float]) -> bytes:
    """Draw a thickness map with its scale.

    Parameters
    ----------
    thickness : (rows, cols) array
        mm, row 0 at the top.
    size : (float, float)
        Width and height, mm.
    """
    top = float(thickness.max(initial=0.0)) or 1.0
    return _map(thickness, size, "Thickness deposited", "bone_r", (float(thickness.min(initial=0.0)), top))


def error_png(error: NDArray[np.floating], size: tuple[float, float], skip: int = 0) -> bytes:
    """Draw a thickness error, deposited less wanted; the scale holds 99 % of the pixels between the ends.

    Parameters
    ----------
    error : (rows, cols) array
        mm, row 0 at the top.
    size : (float, float)
        Width and height, mm.
    skip : int
        Columns at either end that do not count for the scale.
    """
    inner = error[:, skip : error.shape[1] - skip]
    reach = max(float(np.percentile(np.abs(inner), 99)), 1e-4) if inner.size else 1.0
    return _map(error, size, "Thickness, deposited less wanted", "PuOr", (-reach, reach))


def _map(
    values: NDArray[np.floating],
    size: tuple[float, float],
    title: str,
    colours: str,
    limits: tuple[float, float],
) -> bytes:
    width, height = size
    sheet = Figure(figsize=(WIDE, WIDE * 0.86 * height / width + 1.1), dpi=DPI, layout="constrained")
    FigureCanvasAgg(sheet)
    axes = sheet.add_subplot()
    shown = axes.imshow(
        values,
        cmap=colours,
        vmin=limits[0],
        vmax=limits[1],
        extent=(0, width, 0, height),
        interpolation="nearest",
    )
    axes.set_title(title, loc="left")
    axes.set_xlabel("u, mm")
    axes.set_ylabel("z, mm")
    sheet.colorbar(shown, ax=axes, label="mm", extend="both" if limits[0] < 0 else "neither")
    buffer = BytesIO()
    sheet.savefig(buffer, format="png", metadata={"Software": None})
    return buffer.getvalue()
