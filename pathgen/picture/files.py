"""Photographs and thickness arrays from files: read whole, or refused in one line that says why."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, UnidentifiedImageError

from pathgen.errors import PathgenError, printable
from pathgen.picture.decode import Coding, Luminance, to_luminance

FORMATS = ("PNG", "JPEG", "WEBP", "TIFF")
MEGAPIXELS = 100  # largest picture or map that is opened: 400 MB of luminance
FRAMES = 100  # as many are counted
LEAST = 1e-6  # mm; what is thinner is 0 but for its last digits, and is taken for it
HIGHEST = 1000.0  # mm; no wall is so thick, but a map in other units may be

_FORMATS_TEXT = "a PNG, JPEG, WebP or TIFF picture of 8 or 16 bits"
_SIZES_TEXT = f"at least 2 × 2 pixels, at most {MEGAPIXELS} megapixels"


@dataclass(frozen=True, slots=True)
class Picture:
    """A photograph as light.

    Attributes
    ----------
    luminance : (rows, cols) float32
        Linear luminance, 0 to 1, row 0 at the top, upright.
    source : str
        Name of the file, without its folder.
    notes : tuple of str
        What was converted or assumed while reading; empty where nothing was.
    """

    luminance: Luminance
    source: str
    notes: tuple[str, ...] = ()


def load_picture(path: str | os.PathLike[str]) -> Picture:
    """Read a photograph as linear luminance.

    EXIF orientation is applied, an embedded colour profile converted to sRGB, transparency shown on white
    (mixed in linear light), sRGB decoded (IEC 61966-2-1) and weighed by ITU-R BT.709. Of several frames the
    first is taken. Grey keeps its 16 bits; colour is read with 8 bits a channel, which `notes` then says.

    Parameters
    ----------
    path : path-like
        A PNG, JPEG, WebP or TIFF file of 2 × 2 pixels up to 100 megapixels.

    Returns
    -------
    Picture
        Luminance, name and notes.

    Raises
    ------
    PathgenError
        When the file is missing, empty, a folder, of another kind, damaged, too small or too large. Size is
        judged before any pixel is decoded.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     Image.new("L", (3, 2), 128).save(f"{folder}/grey.png")
    ...     picture = load_picture(f"{folder}/grey.png")
    >>> picture.luminance.shape, round(float(picture.luminance[0, 0]), 5), picture.notes
    ((2, 3), 0.21586, ())
    """
    file = readable(path, _FORMATS_TEXT)
    try:
        # Opened here and not by Pillow, which maps some files it opens by name into memory, and then
        # scrambles a TIFF that is stored lying down.
        with hushed(), file.open("rb") as stream, Image.open(stream, formats=FORMATS) as image:
            check_size(image.height, image.width, str(file))
            luminance, notes = _read(image)
    except MemoryError:
        raise
    except Exception as error:  # a decoder raises whatever its parsing stumbles over
        raise picture_error(error, file) from error
    return Picture(luminance, printable(file.name), tuple(notes))


def picture_error(error: Exception, file: Path) -> PathgenError:
    """Say in the user's terms why a file cannot be read as a picture."""
    where = str(file)
    if isinstance(error, PathgenError):
        return PathgenError(error.what, where=where, allowed=error.allowed, hint=error.hint)
    if isinstance(error, UnidentifiedImageError):
        return PathgenError("no picture that can be read", where=where, allowed=_FORMATS_TEXT)
    if isinstance(error, Image.DecompressionBombError):  # Pillow's own limit, beyond ours
        return PathgenError(
            f"picture has more than {MEGAPIXELS} megapixels",
            where=where,
            allowed=_SIZES_TEXT,
            hint="save it smaller",
        )
    return PathgenError(
        f"picture is damaged or cut short: {error or type(error).__name__}",
        where=where,
        allowed=_FORMATS_TEXT,
        hint="open it elsewhere and save it again as PNG",
    )


@contextmanager
def hushed() -> Iterator[None]:
    """Keep decoders from talking past the errors and notes made here.

    Pillow warns of damaged metadata and of sizes it finds large: what bears on the picture is refused or
    noted here, the rest is nothing a user could act on. It also logs some refusals before it raises them, and
    the TIFF library writes to standard error by itself, below Python: so the stream is put aside for the
    moment; where there is none, nothing is to be done.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            kept = os.dup(2)
        except OSError:
            yield
            return
        try:
            with open(os.devnull, "wb") as nowhere:
                os.dup2(nowhere.fileno(), 2)
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)


def _read(image: Image.Image) -> tuple[Luminance, list[str]]:
    """Luminance of an opened image, upright, and the notes on it."""
    coding = Coding.of(image)
    image.load()
    luminance, notes = to_luminance(image, coding)
    # After loading: Pillow itself turns a TIFF while loading it, and then no longer has the tag.
    orientation = image.getexif().get(ExifTags.Base.Orientation, 1)
    frames = _frames(image)  # last: looking at others leaves their profiles and sizes behind
    if frames > 1:
        many = f"{frames}" if frames < FRAMES else f"{FRAMES} or more"
        notes.insert(0, f"the first of {many} frames is used")
    return np.ascontiguousarray(apply_orientation(luminance, orientation)), notes


def _frames(image: Image.Image) -> int:
    """Count frames, up to `FRAMES`.

    A TIFF's are a chain that has to be followed and may be very long; one that cannot be read ends it.
    """
    if image.format != "TIFF":
        return int(getattr(image, "n_frames", 1))
    count = 1
    with suppress(Exception):  # EOFError at the end, and whatever a damaged one gives
        while count < FRAMES:
            image.seek(count)
            count += 1
    return count


def apply_orientation(stored: Luminance, orientation: int) -> Luminance:
    """Turn a stored picture as its EXIF orientation asks (TIFF 6.0, tag 274); others are left alone."""
    if orientation in (2, 3, 7, 8):  # first column stored is the right side or, lying down, the bottom
        stored = stored[:, ::-1]
    if orientation in (3, 4, 6, 7):  # first row stored is the bottom or, lying down, the right side
        stored = stored[::-1]
    return stored.swapaxes(0, 1) if orientation in (5, 6, 7, 8) else stored


def is_thickness(path: str | os.PathLike[str]) -> bool:
    """Whether a path names a thickness array (`.npy`) and not a picture; the file is not opened.

    Examples
    --------
    >>> is_thickness("window.NPY"), is_thickness("harbour.png")
    (True, False)
    """
    return Path(path).suffix.lower() == ".npy"


def load_thickness(path: str | os.PathLike[str]) -> NDArray[np.float64]:
    """Read a thickness array.

    Parameters
    ----------
    path : path-like
        An `.npy` file: two-dimensional, real numbers, mm, row 0 at the top of the panel, finite, none
        negative, none over 1000 mm, at least 2 × 2 and at most 100 million values.

    Returns
    -------
    (rows, cols) float64
        Thickness, mm.

    Raises
    ------
    PathgenError
        When the file is anything else. Shape and number type are judged before the values are read; pickled
        objects are never unpacked.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     np.save(f"{folder}/step.npy", [[1, 2], [2, 3]])
    ...     load_thickness(f"{folder}/step.npy").tolist()
    [[1.0, 2.0], [2.0, 3.0]]
    """
    file = readable(path, "an .npy file of thickness in mm")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # numpy remarks on headers written by Python 2; they read well
            values = _stored(file)
    except (PathgenError, MemoryError):
        raise
    except Exception as error:  # the header is parsed text and may hold anything
        reason = " ".join(str(error).split())[:120]
        raise PathgenError(
            f"no thickness array that can be read: {reason}",
            where=str(file),
            allowed="an .npy file of real numbers, written whole",
            hint="write it with numpy.save",
        ) from error
    return check_thickness(values, str(file))


def _stored(file: Path) -> NDArray[Any]:
    """Read an `.npy` file, whose header is judged first; nothing in it is ever run.

    The file is read and not mapped into memory: one that another program cuts short meanwhile would end the
    process with a bus error.
    """
    layout = np.lib.format
    with file.open("rb") as stream:
        version = layout.read_magic(stream)
        if version not in ((1, 0), (2, 0)):  # the third is for names of columns
            raise ValueError(f"version {version[0]}.{version[1]}")
        read = layout.read_array_header_1_0 if version == (1, 0) else layout.read_array_header_2_0
        shape, by_columns, dtype = read(stream)
        _check_form(shape, dtype, str(file))
        values = np.fromfile(stream, dtype, shape[0] * shape[1])
    if len(values) < shape[0] * shape[1]:
        raise ValueError(f"{len(values):,} of {shape[0] * shape[1]:,} values are there")
    return values.reshape(shape[::-1]).T if by_columns else values.reshape(shape)


def check_thickness(values: NDArray[Any], where: str = "array") -> NDArray[np.float64]:
    """Refuse an array that is no thickness map, cheapest questions first; hand back a copy of one that is.

    Thicknesses under a millionth of a millimetre are 0 in the copy.

    Parameters
    ----------
    values : array
        Two-dimensional, real numbers, mm, row 0 at the top of the panel, finite, none negative, none
        over 1000 mm, at least 2 × 2 and at most 100 million values.
    where : str, optional
        What an error calls the array, such as the name of its file.

    Returns
    -------
    (rows, cols) float64
        Thickness, mm.

    Raises
    ------
    PathgenError
        When the array is anything else.

    Examples
    --------
    >>> check_thickness(np.array([[1, 2], [2, 3]])).tolist()
    [[1.0, 2.0], [2.0, 3.0]]
    """
    _check_form(values.shape, values.dtype, where)
    low, high = float(np.min(values)), float(np.max(values))
    if not (np.isfinite(low) and np.isfinite(high)) or low < 0:
        bad = ~np.isfinite(values) | (values < 0)
        row, col = np.unravel_index(int(np.argmax(bad)), values.shape)
        raise PathgenError(
            f"thickness is {values[row, col]} at row {row}, column {col}; "
            f"{np.count_nonzero(bad)} of {values.size} values are like it",
            where=where,
            allowed="finite values of 0 mm or more",
            hint="fill gaps before writing the array",
        )
    if high > HIGHEST:
        raise PathgenError(
            f"thickness is up to {high:.9g} mm",
            where=where,
            allowed=f"at most {HIGHEST:g} mm",
            hint="write the map in mm",
        )
    checked = np.array(values, dtype=np.float64, order="C")
    checked[checked < LEAST] = 0.0
    return checked


def _check_form(shape: tuple[int, ...], dtype: np.dtype[Any], where: str) -> None:
    """Refuse an array that by its shape or type is no thickness map."""
    if len(shape) != 2:
        raise PathgenError(f"array has {len(shape)} dimensions", where=where, allowed="2: rows and columns")
    if dtype.kind not in "fiu":
        raise PathgenError(f"array holds {dtype}", where=where, allowed="real numbers, thickness in mm")
    check_size(*shape, where, "array")


def check_size(rows: int, cols: int, where: str, what: str = "picture") -> None:
    """Refuse what has too few pixels for a picture, or more than are opened."""
    if min(rows, cols) < 2 or rows * cols > MEGAPIXELS * 1_000_000:
        raise PathgenError(
            f"{what} has {cols} × {rows} pixels",
            where=where,
            allowed=_SIZES_TEXT,
            hint="save it smaller" if min(rows, cols) >= 2 else "",
        )


def readable(path: str | os.PathLike[str], allowed: str) -> Path:
    """Refuse early what is no file with something in it; the messages of decoders are less clear."""
    file = Path(path)
    try:
        if not file.exists():
            raise PathgenError("file does not exist", where=str(file), hint="check the name and the folder")
        if file.is_dir():
            raise PathgenError("this is a folder", where=str(file), allowed=allowed)
        if not file.is_file():
            raise PathgenError("this is no ordinary file", where=str(file), allowed=allowed)
        if file.stat().st_size == 0:
            raise PathgenError("file is empty", where=str(file), allowed=allowed)
        with file.open("rb"):
            pass
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise PathgenError(f"file cannot be opened: {reason}", where=str(file)) from error
    return file
