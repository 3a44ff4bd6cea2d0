"""The subject and its backdrop: found by itself before a plain backdrop, or given; cleaned, feathered.

Glossary. *Subject*: what the picture is of, as a map of 0 (backdrop) to 1. *Plain*: a backdrop whose colour
changes slowly, by light and shade, over the picture; grain is allowed. *Stray bit*: a piece of subject that
is too small to be meant. *Border band*: the pixels along the picture's edge.

A plain backdrop is described by a smooth surface (second degree in x and y) for each of CIE L*, a* and b*,
fitted to the border band with what does not belong to it left out step by step, as a subject that stands on
the lower edge. Backdrop is what is near that surface and hangs together with the edge. The edge itself lies
where a pixel is half backdrop: half as far from the surface as the subject beside it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pathgen.errors import PathgenError

Single = NDArray[np.float32]
Mask = NDArray[np.bool_]

BAND = 0.04  # of the shorter side
ROUNDS = 6  # of leaving out what is far off
SPREADS = 2.5  # median absolute deviations that count as near
LEAST_SPREAD = 1.0  # ΔE; a surface nearer than this is as good as exact
TOLERANCE = 1.0, 80.0  # ΔE
SOFT = 4  # pixels that a subject's edge may be soft over
DEEP = 3  # pixels inside its edge from which a subject is taken to hold nothing of its backdrop
GRAIN = 1.2  # pixels over which grain is averaged before colours are compared
LEAST_SHARE = 1e-3  # of core around a pixel, from which its tone can be taken
SAMPLES = 20_000  # pixels that a fit is made from, about
JUDGED = 1200  # pixels of the longer side that an edge is judged on


def find_subject(rgb: NDArray[np.floating], tolerance: float = 10.0) -> Mask:
    """Find the subject before a plain backdrop.

    Parameters
    ----------
    rgb : (rows, cols, 3) float
        Linear sRGB, 0 to 1.
    tolerance : float
        CIE ΔE (1976) up to which a colour counts as the backdrop's.

    Returns
    -------
    (rows, cols) bool
        True for the subject, holes included where backdrop shows through that does not reach the edge.

    Raises
    ------
    PathgenError
        For a tolerance out of range, and where all or nothing would be subject.

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
    away = _away(lab, _band(lab.shape[:2]))
    backdrop = _from_edge(away <= tolerance)
    for _ in range(2):  # once more with all of the backdrop that was found, which bends the surface better
        if backdrop.any():
            away = _away(lab, backdrop)
            backdrop = _from_edge(away <= tolerance)
    share = float(backdrop.mean())
    if not 0.02 <= share <= 0.995:
        what = (
            "no plain backdrop reaches the picture's edge"
            if share < 0.02
            else "nothing but backdrop was found"
        )
        hint = "give a mask, or another backdrop_tolerance"
        raise PathgenError(what, where="isolate", allowed="a subject before a plain backdrop", hint=hint)
    return _half_way(~backdrop, away)


def _half_way(subject: Mask, away: Single) -> Mask:
    """Take off the outermost pixels of a subject that are more backdrop than subject."""
    beside = ndimage.maximum_filter(np.where(subject, away, 0), 2 * SOFT + 1)
    outer = subject & ~ndimage.binary_erosion(subject, iterations=SOFT, border_value=1)
    return np.asarray(subject & ~(outer & (away < 0.5 * beside)))


def hardly_parted(rgb: NDArray[np.floating], subject: Mask, tolerance: float) -> float:
    """Share of a subject's edge where colours on both sides differ by less than twice the tolerance.

    Where that is much, an edge that was found by itself may be anywhere.
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
    """Remove stray bits and fill small holes.

    Parameters
    ----------
    subject : (rows, cols) bool
    stray, holes : float
        Shares of the picture's area; smaller pieces of subject go, smaller holes in it are filled.

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
    kept = _at_least(subject, stray * subject.size)
    return np.asarray(~_at_least(~kept, holes * subject.size))


def feathered(subject: Mask | NDArray[np.floating], width: float) -> Single:
    """Soften a subject's edge over `width` pixels; 0 leaves it hard.

    Examples
    --------
    >>> edge = np.zeros((1, 9), bool)
    >>> edge[:, 5:] = True
    >>> [round(float(value), 2) for value in feathered(edge, 2.0)[0, 3:7]]
    [0.06, 0.3, 0.7, 0.94]
    """
    values = np.asarray(subject, np.float32)
    if width <= 0:
        return values
    return np.asarray(ndimage.gaussian_filter(values, width / 2, mode="nearest"), np.float32)


def unmixed(codes: Single, subject: Single) -> Single:
    """Give a subject's edge the tones of the subject just inside it.

    A pixel on the edge was lit by subject and backdrop together. Put before another backdrop it would keep
    its share of the old one: a dark line around a light subject, or a light one around a dark.

    Parameters
    ----------
    codes : (rows, cols) float32
        Coded grey.
    subject : (rows, cols) float32
        Share of every pixel that is subject.

    Returns
    -------
    (rows, cols) float32
        Tones near the edge replaced by a mean of the core's; what has no core, as a strand of hair, keeps
        its own.

    Examples
    --------
    >>> tones = np.repeat(np.float32([[0.0, 0.0, 0.3, 0.6, 0.6, 0.6, 0.6, 0.6, 0.6]]), 12, axis=0)
    >>> clean = unmixed(tones, (tones > 0.2).astype(np.float32))
    >>> bool(np.allclose(clean[:, 2:], 0.6, atol=1e-3))
    True
    """
    core = ndimage.binary_erosion(subject > 0.5, iterations=DEEP, border_value=1).astype(np.float32)
    share = ndimage.gaussian_filter(core, DEEP, mode="nearest")
    inner = ndimage.gaussian_filter(core * codes, DEEP, mode="nearest")
    edge = (core == 0) & (share > LEAST_SHARE)
    return np.where(edge, inner / np.maximum(share, LEAST_SHARE), codes).astype(np.float32)


def check_mask(mask: NDArray[np.floating], size: tuple[int, int], of: tuple[int, int]) -> None:
    """Refuse a mask that is not the picture's size, or marks nothing or everything.

    Parameters
    ----------
    mask : (rows, cols) float
    size, of : (cols, rows)
        Of the mask's file, and of the picture's.
    """
    if size != of:
        what = f"mask of {size[0]} × {size[1]} pixels for a picture of {of[0]} × {of[1]}"
        raise PathgenError(what, where="isolate", allowed="a mask of the picture's size")
    if float(mask.max()) <= 0.5 or float(mask.min()) > 0.5:
        what = "mask that marks " + ("nothing" if float(mask.max()) <= 0.5 else "everything")
        raise PathgenError(what, where="isolate", allowed="white for the subject, black for the backdrop")


def _lab(rgb: NDArray[np.floating]) -> Single:
    """CIE L*a*b* (D65) of the picture, its grain averaged."""
    from skimage.color import xyz2lab

    smooth = np.stack(
        [ndimage.gaussian_filter(rgb[..., i], GRAIN, mode="nearest") for i in range(3)], axis=-1
    )
    matrix = np.array(  # IEC 61966-2-1: linear sRGB to XYZ
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]], np.float32
    )
    return np.asarray(xyz2lab(np.clip(smooth, 0, 1).astype(np.float32) @ matrix.T), np.float32)


def _band(shape: tuple[int, int]) -> Mask:
    wide = max(1, round(BAND * min(shape)))
    band = np.ones(shape, bool)
    band[wide:-wide, wide:-wide] = False
    return band


def _away(lab: Single, known: Mask) -> Single:
    """Distance of every pixel's colour from the smooth surface through the known backdrop, ΔE."""
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
        spread = max(float(np.median(apart[near])), LEAST_SPREAD)
        near = apart <= SPREADS * spread
        if np.count_nonzero(near) < 3 * basis.shape[1]:
            break
    square = np.zeros((rows, cols), np.float32)
    for i in range(3):
        flat, f_x, f_y, f_xx, f_xy, f_yy = factors[:, i].astype(np.float32)
        # Terms of x alone and of y alone are added up as lines: three passes over the picture, not six.
        off = lab[..., i] - (flat + f_x * x + f_xx * x * x)
        off -= f_y * y + f_yy * y * y
        off -= f_xy * y * x
        square += np.square(off, out=off)
    return np.sqrt(square, out=square)


def _from_edge(backdrop: Mask) -> Mask:
    """Keep what hangs together with the picture's edge."""
    label, _ = ndimage.label(backdrop)
    edge = np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]])
    reached = np.zeros(int(label.max()) + 1, bool)
    reached[edge] = True
    reached[0] = False
    return np.asarray(reached[label])


def _at_least(pieces: Mask, area: float) -> Mask:
    """Keep pieces of at least an area, in pixels."""
    label, count = ndimage.label(pieces, structure=np.ones((3, 3)))
    if not count:
        return pieces
    large = np.bincount(label.ravel(), minlength=count + 1) >= max(area, 1.0)
    large[0] = False
    return np.asarray(large[label])
