"""Preparation of a photograph, step by step.

colours ─► mirrored, straightened ─► subject ─► trimmed ─► grey ─► `tone_steps.STEPS` ─► backdrop ─► light
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pathgen.errors import PathgenError
from pathgen.picture import tone_steps
from pathgen.picture.colorimetry import WEIGHTS, encode_srgb
from pathgen.picture.colour import ColourPhoto, load_colour
from pathgen.picture.files import FilePath
from pathgen.picture.subject import check_mask, clean_mask, feather, find_subject, unmix_edge, weak_edge
from pathgen.settings.preparation import Preparation

Single = NDArray[np.float32]

SOFT_EDGE = 2.0  # pixels over which the edge of a detected subject is feathered
WEAK_EDGE = 0.15  # share of a subject's edge with little contrast above which a note is given


@dataclass(frozen=True, slots=True)
class Prepared:
    """A prepared photograph.

    Attributes
    ----------
    luminance : (rows, cols) float32
        Linear, 0 to 1, row 0 at the top.
    subject : (rows, cols) float32 or None
        1 for the subject, 0 for its backdrop; None if it was not isolated.
    source : str
        Name of the file.
    size : (cols, rows)
        Size of the file.
    notes : tuple of str
    stages : list of (name, (rows, cols) float32)
        sRGB-encoded grey after every step that changed it, if requested.
    factor : int
        Pixels of the file per pixel of the luminance, along a side.
    """

    luminance: Single
    subject: Single | None
    source: str
    size: tuple[int, int]
    notes: tuple[str, ...] = ()
    stages: list[tuple[str, Single]] = field(default_factory=list)
    factor: int = 1


def prepare_file(path: FilePath, settings: Preparation, *, keep: bool = False) -> Prepared:
    """Read and prepare a photograph.

    Parameters
    ----------
    path : path-like
    settings : Preparation
    keep : bool
        Keep the stages.

    Raises
    ------
    PathgenError
        For a file that cannot be read, and for the errors of `prepare`.
    """
    return prepare(load_colour(path), settings, keep=keep)


def prepare(photo: ColourPhoto, settings: Preparation, *, keep: bool = False) -> Prepared:
    """Prepare a photograph step by step, and keep every stage.

    Parameters
    ----------
    photo : ColourPhoto
    settings : Preparation
    keep : bool
        Keep the stages.

    Returns
    -------
    Prepared

    Raises
    ------
    PathgenError
        For a mask that does not fit, missing transparency, a backdrop that is not plain, contradictory
        settings, and if fewer than 2 × 2 pixels are left.

    Examples
    --------
    >>> photo = ColourPhoto(np.full((20, 30, 3), 0.5, np.float32), None, (30, 20), "grey.png")
    >>> prepare(photo, Preparation(brightness=1.0)).luminance.min()
    np.float32(1.0)
    """
    weights = (settings.red, settings.green, settings.blue)
    red, green, blue = WEIGHTS if weights == (None, None, None) else (weight or 0.0 for weight in weights)
    stages: list[tuple[str, Single]] = []

    def kept(name: str, codes: Single) -> Single:
        if keep and not (stages and np.array_equal(stages[-1][1], codes)):
            stages.append((name, codes))
        return codes

    if keep:
        stages.append(("original", tone_steps.to_grey(photo.rgb)))
    notes = list(photo.notes)
    subject = _subject(photo, settings, notes)
    rgb, subject = _straighten(photo.rgb, subject, settings)
    rgb, subject = _trim(rgb, subject, settings.trim)
    if min(rgb.shape[:2]) < 2:
        what = f"{rgb.shape[1]} × {rgb.shape[0]} pixels of {photo.source} are left after trimming"
        raise PathgenError(what, where="trim", allowed="at least 2 × 2 pixels")
    codes = kept("grey", tone_steps.to_grey(rgb, (red, green, blue)))
    if subject is not None and subject.min() < 1:
        codes = unmix_edge(codes, subject) if _is_mixed(settings) else codes
        kept("subject", codes * subject + np.float32(settings.backdrop_tone) * (1 - subject))
    for name, step in tone_steps.STEPS.items():
        codes = kept(name, step(codes, settings, subject))
    light = tone_steps.decode_grey(codes)
    if subject is not None:
        # Mixed in linear light: a half covered pixel transmits half of the light of the backdrop.
        backdrop = tone_steps.decode_grey(np.full((1, 1), settings.backdrop_tone, np.float32))
        light = subject * light + (1 - subject) * backdrop
        kept("on its backdrop", encode_srgb(light).astype(np.float32))
    return Prepared(light, subject, photo.source, photo.size, tuple(notes), stages, photo.factor)


def _is_mixed(settings: Preparation) -> bool:
    """Return whether pixels at the subject's edge are mixed with the backdrop."""
    if settings.isolate in ("off", "alpha"):
        return bool(settings.straighten)  # rotation mixes the edge with the colours under clear pixels
    return settings.isolate == "auto" or (settings.feather or 0.0) > 0


def _subject(photo: ColourPhoto, settings: Preparation, notes: list[str]) -> Single | None:
    """Return the mask of the subject, detected or read from a file; None without a subject."""
    if settings.isolate in ("off", "alpha"):
        if settings.isolate == "alpha" and photo.alpha is None:
            what = f"{photo.source} has no transparency"
            raise PathgenError(what, where="isolate", allowed="auto, or the path of a mask file")
        if settings.isolate == "off" and photo.alpha is not None:
            notes.append("transparent parts are replaced by `backdrop_tone`")
        return photo.alpha
    if settings.isolate == "auto":
        found = clean_mask(find_subject(photo.rgb, settings.backdrop_tolerance), settings.stray / 100)
        notes.append(f"subject detected on a plain backdrop: {100 * found.mean():.0f} % of the picture")
        weak = weak_edge(photo.rgb, found, settings.backdrop_tolerance)
        if weak > WEAK_EDGE:
            notes.append(
                f"{100 * weak:.0f} % of the subject's edge differs little from the backdrop: check it with "
                "`--stages`; use a mask or change `backdrop_tolerance` if it is wrong"
            )
        return feather(found, SOFT_EDGE if settings.feather is None else settings.feather)
    mask = load_colour(settings.isolate, factor=photo.factor)
    marked = tone_steps.to_grey(mask.rgb)
    check_mask(marked, mask.size, photo.size)
    if not settings.feather:
        return marked
    return feather(clean_mask(marked > 0.5, settings.stray / 100), settings.feather)


def _straighten(rgb: Single, subject: Single | None, settings: Preparation) -> tuple[Single, Single | None]:
    """Mirror and straighten a picture, and crop edges that the rotation leaves empty."""
    layers = rgb if subject is None else np.concatenate([rgb, subject[..., None]], axis=2)
    if settings.mirror == "yes":
        layers = layers[:, ::-1]
    if settings.straighten:
        layers = _rotate(layers, settings.straighten)
    layers = np.ascontiguousarray(layers)
    return layers[..., :3], (None if subject is None else np.clip(layers[..., 3], 0.0, 1.0))


def _rotate(layers: Single, degrees: float) -> Single:
    """Rotate a picture counter-clockwise, and crop it to the largest rectangle of the same proportions."""
    rows, cols = layers.shape[:2]
    angle = np.radians(degrees)
    cosine, sine = np.cos(angle), abs(np.sin(angle))
    scale = 1 / max(cosine + sine * rows / cols, cosine + sine * cols / rows)
    high, wide = max(2, int(rows * scale)), max(2, int(cols * scale))
    matrix = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    offset = np.array([(rows - 1) / 2, (cols - 1) / 2]) - matrix @ np.array([(high - 1) / 2, (wide - 1) / 2])
    rotated = [
        ndimage.affine_transform(layers[..., i], matrix, offset, (high, wide), order=1, mode="nearest")
        for i in range(layers.shape[2])
    ]
    return np.stack(rotated, axis=-1)


def _trim(rgb: Single, subject: Single | None, margin: float | None) -> tuple[Single, Single | None]:
    """Crop a picture to its subject, with a margin in percent of the subject's longer side."""
    if margin is None:
        return rgb, subject
    if subject is None:
        raise PathgenError(
            "`trim` needs a subject", where="trim", hint="set `isolate` to auto, alpha or the path of a mask"
        )
    inside = subject > 0.5
    if not inside.any():
        raise PathgenError(
            "no subject is left, so the picture cannot be trimmed to it", where="trim", hint="reduce `stray`"
        )
    spans = [np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0)]
    more = round(margin / 100 * max(np.ptp(span) for span in spans) + 1e-9)
    window = tuple(slice(max(int(span[0]) - more, 0), int(span[-1]) + more + 1) for span in spans)
    return rgb[window], subject[window]
