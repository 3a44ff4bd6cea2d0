"""Preparation of a photograph, step by step: the subject alone, the right way round, its tones graded.

colours ─► mirrored, straightened ─► subject ─► trimmed ─► grey ─► smooth ─► levels ─► local contrast
        ─► graded ─► sharpened ─► inverted ─► backdrop ─► light
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pathgen.errors import PathgenError
from pathgen.picture import tone_steps
from pathgen.picture.colorimetry import WEIGHTS, encode_srgb
from pathgen.picture.colour import LONGEST, ColourPhoto, load_colour
from pathgen.picture.subject import check_mask, clean_mask, feathered, find_subject, hardly_parted, unmixed
from pathgen.settings.preparation import Preparation

Single = NDArray[np.float32]

SOFT_EDGE = 2.0  # pixels that an edge found by itself is softened over
VAGUE = 0.15  # share of a subject's edge that is worth a word


@dataclass(frozen=True, slots=True)
class Prepared:
    """A photograph made ready.

    Attributes
    ----------
    luminance : (rows, cols) float32
        Linear, 0 to 1, row 0 at the top.
    subject : (rows, cols) float32 or None
        1 for the subject, 0 for its backdrop; None where it was not isolated.
    stages : list of (name, (rows, cols) float32)
        Coded grey after every step that did something, if asked for.
    source : str
    size : (cols, rows)
        Of the photograph's file.
    notes : tuple of str
    factor : int
        Pixels of the file along a side of one of these.
    """

    luminance: Single
    subject: Single | None
    source: str
    size: tuple[int, int]
    notes: tuple[str, ...] = ()
    stages: list[tuple[str, Single]] = field(default_factory=list)
    factor: int = 1


def prepare_file(
    path: str | os.PathLike[str], asked: Preparation, *, longest: int = LONGEST, keep: bool = False
) -> Prepared:
    """Read a photograph and prepare it.

    Parameters
    ----------
    path : path-like
    asked : Preparation
    longest : int
        Pixels of the longer side that are worked on, about (`load_colour`); most panels show no more.
    keep : bool
        Keep the stages.

    Raises
    ------
    PathgenError
        For a file that cannot be read, and as `prepare` does.
    """
    return prepare(load_colour(path, longest), asked, keep=keep)


def prepare(colours: ColourPhoto, asked: Preparation, *, keep: bool = False) -> Prepared:
    """Prepare a photograph.

    Parameters
    ----------
    colours : Colours
    asked : Preparation
    keep : bool
        Keep the stages.

    Returns
    -------
    Prepared

    Raises
    ------
    PathgenError
        For a mask that does not fit, transparency that is not there, a backdrop that is not plain, values
        that contradict each other, and where under 2 × 2 pixels are left.

    Examples
    --------
    >>> photo = ColourPhoto(np.full((20, 30, 3), 0.5, np.float32), None, (30, 20), "grey.png")
    >>> prepare(photo, Preparation(brightness=1.0)).luminance.min()
    np.float32(1.0)
    """
    weights = _weights(asked)
    stages: list[tuple[str, Single]] = []

    def kept(name: str, codes: Single) -> Single:
        if keep and not (stages and np.array_equal(stages[-1][1], codes)):
            stages.append((name, codes))
        return codes

    if keep:
        stages.append(("as it came", tone_steps.grey(colours.rgb)))
    notes = list(colours.notes)
    subject = _subject(colours, asked, notes)
    rgb, subject = _straight(colours.rgb, subject, asked)
    rgb, subject = _trimmed(rgb, subject, asked.trim)
    if min(rgb.shape[:2]) < 2:
        what = f"{rgb.shape[1]} × {rgb.shape[0]} pixels are left of {colours.source}"
        raise PathgenError(what, where="trim", allowed="2 × 2 or more")
    codes = kept("grey", tone_steps.grey(rgb, weights))
    if subject is not None and subject.min() < 1:
        codes = unmixed(codes, subject) if _mixes(asked) else codes
        kept("subject", codes * subject + np.float32(asked.backdrop_tone) * (1 - subject))
    codes = kept("smooth", tone_steps.smoothed(codes, asked.smooth))
    codes = kept("levels", _levels(codes, subject, asked))
    codes = kept("local contrast", tone_steps.local_contrast(codes, asked.local_contrast))
    codes = kept("graded", tone_steps.graded(codes, asked.brightness, asked.contrast, asked.gamma))
    codes = kept("sharp", tone_steps.sharpened(codes, asked.sharpen))
    if asked.invert == "yes":
        codes = kept("inverted", 1 - codes)
    light = tone_steps.light_of(codes)
    if subject is not None:
        # In light: a pixel half covered lets half of the backdrop's light through.
        backdrop = tone_steps.light_of(np.full((1, 1), asked.backdrop_tone, np.float32))
        light = subject * light + (1 - subject) * backdrop
        kept("on its backdrop", encode_srgb(light).astype(np.float32))
    return Prepared(light, subject, colours.source, colours.size, tuple(notes), stages, colours.factor)


def _weights(asked: Preparation) -> tuple[float, float, float]:
    given = (asked.red, asked.green, asked.blue)
    if given == (None, None, None):
        return WEIGHTS
    red, green, blue = (0.0 if value is None else value for value in given)
    return red, green, blue


def _mixes(asked: Preparation) -> bool:
    """Tell whether a subject's edge holds some of the old backdrop; a hard mask is taken exactly as it is."""
    if asked.isolate in ("off", "alpha"):
        return bool(asked.straighten)  # turning mixes the edge with what lies under clear pixels
    return asked.isolate == "auto" or (asked.feather or 0.0) > 0


def _subject(colours: ColourPhoto, asked: Preparation, notes: list[str]) -> Single | None:
    """Find or read what is subject, tidied and feathered; None where it is not isolated."""
    if asked.isolate == "off":
        if colours.alpha is not None:
            notes.append("transparent parts are shown on the backdrop's tone")
        return colours.alpha
    if asked.isolate == "alpha":
        if colours.alpha is None:
            what = f"{colours.source} has no transparency"
            raise PathgenError(what, where="isolate", allowed="auto, or a mask's file")
        return colours.alpha
    if asked.isolate == "auto":
        found = clean_mask(find_subject(colours.rgb, asked.backdrop_tolerance), asked.stray / 100)
        notes.append(f"subject found before a plain backdrop: {100 * found.mean():.0f} % of the picture")
        vague = hardly_parted(colours.rgb, found, asked.backdrop_tolerance)
        if vague > VAGUE:
            notes.append(
                f"{100 * vague:.0f} % of its edge hardly differs from the backdrop: look at --stages, a mask "
                "or another backdrop_tolerance may do better"
            )
        return feathered(found, SOFT_EDGE if asked.feather is None else asked.feather)
    mask = load_colour(asked.isolate, factor=colours.factor)
    marked = tone_steps.grey(mask.rgb)
    check_mask(marked, mask.size, colours.size)
    return feathered(clean_mask(marked > 0.5, asked.stray / 100), asked.feather) if asked.feather else marked


def _straight(rgb: Single, subject: Single | None, asked: Preparation) -> tuple[Single, Single | None]:
    """Mirror and straighten; what a turn leaves bare at the edges is cropped off."""
    layers = rgb if subject is None else np.concatenate([rgb, subject[..., None]], axis=2)
    if asked.mirror == "yes":
        layers = layers[:, ::-1]
    if asked.straighten:
        layers = _turned(layers, asked.straighten)
    layers = np.ascontiguousarray(layers)
    return layers[..., :3], (None if subject is None else np.clip(layers[..., 3], 0.0, 1.0))


def _turned(layers: Single, degrees: float) -> Single:
    """Turn counter-clockwise about the middle and crop to the largest upright rectangle of the same shape."""
    rows, cols = layers.shape[:2]
    angle = np.radians(degrees)
    cosine, sine = np.cos(angle), abs(np.sin(angle))
    scale = 1 / max(cosine + sine * rows / cols, cosine + sine * cols / rows)
    high, wide = max(2, int(rows * scale)), max(2, int(cols * scale))
    matrix = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    offset = np.array([(rows - 1) / 2, (cols - 1) / 2]) - matrix @ np.array([(high - 1) / 2, (wide - 1) / 2])
    turned = [
        ndimage.affine_transform(layers[..., i], matrix, offset, (high, wide), order=1, mode="nearest")
        for i in range(layers.shape[2])
    ]
    return np.stack(turned, axis=-1)


def _trimmed(rgb: Single, subject: Single | None, margin: float | None) -> tuple[Single, Single | None]:
    """Crop to the subject with a margin, in percent of its longer side."""
    if margin is None:
        return rgb, subject
    if subject is None:
        raise PathgenError("trim without a subject", where="trim", allowed="isolate auto, alpha or a mask")
    there = subject > 0.5
    if not there.any():
        raise PathgenError("no subject is left to trim to", where="trim", hint="a smaller stray keeps more")
    rows, cols = np.flatnonzero(there.any(axis=1)), np.flatnonzero(there.any(axis=0))
    more = round(margin / 100 * max(np.ptp(rows), np.ptp(cols)) + 1e-9)
    window = (
        slice(max(int(rows[0]) - more, 0), int(rows[-1]) + more + 1),
        slice(max(int(cols[0]) - more, 0), int(cols[-1]) + more + 1),
    )
    return rgb[window], subject[window]


def _levels(codes: Single, subject: Single | None, asked: Preparation) -> Single:
    """Stretch the tones by the subject's own percentiles where there is one."""
    if subject is None:
        return tone_steps.stretch_levels(codes, asked.levels_low, asked.levels_high)
    if not asked.levels_low < asked.levels_high:
        return tone_steps.stretch_levels(codes, asked.levels_low, asked.levels_high)  # refuses
    if (asked.levels_low, asked.levels_high) == (0.0, 100.0):
        return codes
    own = codes[subject > 0.5]
    if not own.size:
        return codes
    low, high = np.percentile(own, [asked.levels_low, asked.levels_high])
    if high - low < 1e-6:
        return codes
    stretched = (codes - np.float32(low)) / np.float32(high - low)
    return np.asarray(np.clip(stretched, 0.0, 1.0), np.float32)
