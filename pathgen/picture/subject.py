"""Isolate the subject of a photograph: find the subject, and clean and soften masks.

Glossary. *Subject*: a map of the main object, from 0 (backdrop) to 1. *Plain*: a backdrop whose colour varies
slowly over the picture, because of light and shade; noise is allowed. *Stray bit*: a piece of subject that is
too small to belong to it. *Border band*: the pixels along the edge of the picture.

A plain backdrop is modelled by a quadratic surface in x and y for each of CIE L*, a* and b*. The surface is
fitted to the border band, and pixels that deviate are rejected iteratively, such as a subject that touches
the lower edge. The backdrop consists of the pixels that are close to the surface and connected to the edge of
the picture. The edge of the subject is placed where a pixel is half backdrop: half as far from the surface as
the subject beside it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pathgen.errors import PathgenError

Single = NDArray[np.float32]
Mask = NDArray[np.bool_]

BAND = 0.04  # width of the border band over the shorter side
ROUNDS = 6  # maximum number of fits with rejection
SPREADS = 2.5  # median deviations beyond which a pixel is rejected
MIN_SPREAD = 1.0  # ΔE; a smaller median deviation counts as an exact fit
TOLERANCE = 1.0, 80.0  # ΔE
SOFT = 4  # maximum width of a soft edge, pixels
DEEP = 3  # depth inside the edge, in pixels, below which the subject contains no backdrop
NOISE = 1.2  # radius over which noise is averaged before colours are compared, pixels
MIN_SHARE = 1e-3  # minimum share of core around a pixel from which its tone can be taken
SAMPLES = 20_000  # approximate number of pixels used in a fit
JUDGED = 1200  # pixels of the longer side on which an edge is assessed


def find_subject(rgb: NDArray[np.floating], tolerance: float = 10.0) -> Mask:
    """Detect the subject of a photograph on a plain backdrop.

    Parameters
    ----------
    rgb : (rows, cols, 3) float
        Linear sRGB, 0 to 1.
    tolerance : float
        Maximum CIE ΔE (1976) between a colour and the backdrop.

    Returns
    -------
    (rows, cols) bool
        True for the subject, including holes in it that are not connected to the edge of the picture.

    Raises
    ------
    PathgenError
        For a tolerance out of range, and if the whole picture or none of it would be subject.

    Examples
    --------
    >>> plain = np.full((60, 80, 3), 0.7)
    >>> plain[20:, 30:50] = 0.1
    >>> abs(int(find_subject(plain).sum()) - 800) < 20
    True
    """
    if not TOLERANCE[0] <= tolerance <= TOLERANCE[1]:
        allowed = f"{TOLERANCE[0]:g} to {TOLERANCE[1]:g} (CIE ΔE)"
        raise PathgenError(f"tolerance is {tolerance:g}", where="backdrop_tolerance", allowed=allowed)
    lab = _lab(rgb)
    wide = max(1, round(BAND * min(lab.shape[:2])))
    backdrop = np.ones(lab.shape[:2], bool)
    backdrop[wide:-wide, wide:-wide] = False
    for _ in range(3):  # the later rounds fit the surface to the whole backdrop found so far
        if backdrop.any():
            distance = _surface_distance(lab, backdrop)
            backdrop = _connected_to_edge(distance <= tolerance)
    share = float(backdrop.mean())
    if not 0.02 <= share <= 0.995:
        what = "no subject was found" if share > 0.5 else "no plain backdrop was found at the picture's edge"
        hint = "use a mask, or change `backdrop_tolerance`"
        raise PathgenError(what, where="isolate", allowed="a subject on a plain backdrop", hint=hint)
    return _cut_soft_edge(~backdrop, distance)


def _cut_soft_edge(subject: Mask, distance: Single) -> Mask:
    """Remove those outermost pixels of a subject that contain more backdrop than subject."""
    beside = ndimage.maximum_filter(np.where(subject, distance, 0), 2 * SOFT + 1)
    outer = subject & ~ndimage.binary_erosion(subject, iterations=SOFT, border_value=1)
    return np.asarray(subject & ~(outer & (distance < 0.5 * beside)))


def weak_edge(rgb: NDArray[np.floating], subject: Mask, tolerance: float) -> float:
    """Return the fraction of a subject's edge that is hard to tell from the backdrop.

    If the fraction is large, the position of a detected edge is unreliable.
    """
    step = max(1, round(max(subject.shape) / JUDGED))
    rgb, subject = rgb[::step, ::step], subject[::step, ::step]
    lab, inside = _lab(rgb), subject.astype(np.float32)
    edge = subject & ~ndimage.binary_erosion(subject, border_value=1)
    if not edge.any():
        return 0.0
    means = []
    for weight in (inside, 1 - inside):
        share = ndimage.gaussian_filter(weight, SOFT)[edge] + 1e-6
        means.append([ndimage.gaussian_filter(lab[..., i] * weight, SOFT)[edge] / share for i in range(3)])
    apart = np.linalg.norm(np.array(means[0]) - np.array(means[1]), axis=0)
    return float(np.mean(apart < 2 * tolerance))


def clean_mask(subject: Mask, stray: float = 0.001, holes: float = 0.0005) -> Mask:
    """Remove small pieces from a mask, and fill small holes.

    Parameters
    ----------
    subject : (rows, cols) bool
    stray, holes : float
        Shares of the area of the picture; smaller pieces of subject are removed, smaller holes are filled.

    Returns
    -------
    (rows, cols) bool

    Examples
    --------
    >>> speckled = np.zeros((50, 50), bool)
    >>> speckled[10:40, 10:40] = True
    >>> speckled[20, 20] = False
    >>> speckled[2, 2] = True
    >>> int(clean_mask(speckled).sum())
    900
    """
    kept = _large_pieces(subject, stray * subject.size)
    return np.asarray(~_large_pieces(~kept, holes * subject.size))


def feather(subject: Mask | NDArray[np.floating], width: float) -> Single:
    """Soften the edge of a mask over `width` pixels; 0 leaves the edge hard.

    Examples
    --------
    >>> edge = np.zeros((1, 9), bool)
    >>> edge[:, 5:] = True
    >>> [round(float(value), 2) for value in feather(edge, 2.0)[0, 3:7]]
    [0.06, 0.3, 0.7, 0.94]
    """
    values = np.asarray(subject, np.float32)
    return values if width <= 0 else np.asarray(ndimage.gaussian_filter(values, width / 2, mode="nearest"))


def unmix_edge(codes: Single, subject: Single) -> Single:
    """Replace the tones at the edge of a subject by tones just inside the edge.

    A pixel on the edge is a mixture of subject and backdrop. On another backdrop, the old one would remain
    visible as a dark line around a light subject, or a light line around a dark one.

    Parameters
    ----------
    codes : (rows, cols) float32
        sRGB-encoded grey.
    subject : (rows, cols) float32
        Share of the subject in each pixel.

    Returns
    -------
    (rows, cols) float32
        Tones near the edge are replaced by a mean over the core. Parts without a core, such as a strand of
        hair, keep their own.

    Examples
    --------
    >>> tones = np.repeat(np.float32([[0.0, 0.0, 0.3, 0.6, 0.6, 0.6, 0.6, 0.6, 0.6]]), 12, axis=0)
    >>> clean = unmix_edge(tones, (tones > 0.2).astype(np.float32))
    >>> bool(np.allclose(clean[:, 2:], 0.6, atol=1e-3))
    True
    """
    core = ndimage.binary_erosion(subject > 0.5, iterations=DEEP, border_value=1).astype(np.float32)
    share = ndimage.gaussian_filter(core, DEEP, mode="nearest")
    inner = ndimage.gaussian_filter(core * codes, DEEP, mode="nearest")
    edge = (core == 0) & (share > MIN_SHARE)
    return np.where(edge, inner / np.maximum(share, MIN_SHARE), codes).astype(np.float32)


def check_mask(mask: NDArray[np.floating], size: tuple[int, int], expected: tuple[int, int]) -> None:
    """Reject a mask of the wrong size, and a mask that marks nothing or everything.

    Parameters
    ----------
    mask : (rows, cols) float
    size, expected : (cols, rows)
        Size of the mask file, and of the picture file.
    """
    if size != expected:
        what = f"the mask has {size[0]} × {size[1]} pixels, the picture {expected[0]} × {expected[1]}"
        raise PathgenError(what, where="isolate", allowed="a mask with as many pixels as the picture")
    if float(mask.max()) <= 0.5 or float(mask.min()) > 0.5:
        what = "the mask marks " + ("nothing" if float(mask.max()) <= 0.5 else "everything")
        allowed = "a mask that is white in the subject and black in the backdrop"
        raise PathgenError(what, where="isolate", allowed=allowed)


def _lab(rgb: NDArray[np.floating]) -> Single:
    """Return the CIE L*a*b* values (D65) of a picture, smoothed to reduce noise."""
    from skimage.color import xyz2lab

    smooth = ndimage.gaussian_filter(rgb, NOISE, mode="nearest", axes=(0, 1))
    matrix = np.array(  # IEC 61966-2-1: linear sRGB to XYZ
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]], np.float32
    )
    return np.asarray(xyz2lab(np.clip(smooth, 0, 1).astype(np.float32) @ matrix.T), np.float32)


def _surface_distance(lab: Single, known: Mask) -> Single:
    """Return the distance, ΔE, of each colour from a quadratic surface fitted to the backdrop."""
    rows, cols = known.shape
    x = np.linspace(-1, 1, cols, dtype=np.float32)[None, :]
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    at = np.flatnonzero(known)
    at = at[:: max(1, len(at) // SAMPLES)]
    row, col = np.divmod(at, cols)
    u, v = x[0, col].astype(np.float64), y[row, 0].astype(np.float64)
    basis = np.stack([np.ones(len(at)), u, v, u * u, u * v, v * v], axis=1)
    colours = lab[row, col].astype(np.float64)
    start = np.median(colours, axis=0)
    apart = np.linalg.norm(colours - start, axis=1)
    near = apart <= max(2 * float(np.median(apart)), 6.0)
    for _ in range(ROUNDS):
        factors, *_ = np.linalg.lstsq(basis[near], colours[near], rcond=None)
        apart = np.linalg.norm(colours - basis @ factors, axis=1)
        spread = max(float(np.median(apart[near])), MIN_SPREAD)
        near = apart <= SPREADS * spread
        if np.count_nonzero(near) < 3 * basis.shape[1]:
            break
    square = np.zeros((rows, cols), np.float32)
    for i in range(3):
        flat, f_x, f_y, f_xx, f_xy, f_yy = factors[:, i].astype(np.float32)
        # Terms in x alone and in y alone are summed as vectors: three passes over the picture instead of six.
        off = lab[..., i] - (flat + f_x * x + f_xx * x * x)
        off -= f_y * y + f_yy * y * y
        off -= f_xy * y * x
        square += np.square(off, out=off)
    return np.sqrt(square, out=square)


def _connected_to_edge(backdrop: Mask) -> Mask:
    """Return the parts of a mask that are connected to the edge of the picture."""
    label, _ = ndimage.label(backdrop)
    edge = np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]])
    return np.isin(label, edge[edge > 0])


def _large_pieces(pieces: Mask, area: float) -> Mask:
    """Return the pieces of a mask with at least the given area, in pixels."""
    label, _ = ndimage.label(pieces, structure=np.ones((3, 3)))
    large = np.bincount(label.ravel()) >= area
    large[0] = False
    return np.asarray(large[label])
