"""Reading of photographs and thickness arrays from files."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, UnidentifiedImageError

from pathgen.errors import PathgenError, printable
from pathgen.files.inputs import input_name, open_input
from pathgen.picture.decode import Coding, Luminance, to_luminance

FilePath = str | os.PathLike[str]

FORMATS = ("PNG", "JPEG", "WEBP", "TIFF")
MEGAPIXELS = 100  # maximum size of a picture or map: 400 MB of luminance
FRAMES = 100  # maximum number of frames that are counted
MIN_THICKNESS = 1e-6  # mm; thinner walls are rounding errors and become 0
MAX_THICKNESS = 1000.0  # mm; thicker walls are probably in another unit

FORMATS_TEXT = "a PNG, JPEG, WebP or TIFF picture of 8 or 16 bits"
SIZES_TEXT = f"at least 2 × 2 pixels, at most {MEGAPIXELS} megapixels"


@dataclass(frozen=True, slots=True)
class Picture:
    """The linear luminance of a photograph, with notes.

    Attributes
    ----------
    luminance : (rows, cols) float32
        Linear luminance, 0 to 1, row 0 at the top, upright.
    source : str
        Name of the file, without its folder.
    notes : tuple of str
        Conversions and assumptions during reading.
    """

    luminance: Luminance
    source: str
    notes: tuple[str, ...] = ()


def load_picture(path: FilePath) -> Picture:
    """Read a photograph as linear luminance.

    EXIF orientation is applied, an embedded colour profile is converted to sRGB, transparent parts are placed
    on white (mixed in linear light), sRGB is decoded (IEC 61966-2-1) and weighted by ITU-R BT.709. Of several
    frames, the first is used. Grey is read with up to 16 bits, colour with 8 bits per channel; `notes` lists
    what was converted.

    Parameters
    ----------
    path : path-like
        A PNG, JPEG, WebP or TIFF file, from 2 × 2 pixels to 100 megapixels.

    Returns
    -------
    Picture

    Raises
    ------
    PathgenError
        If the file is missing, empty, a folder, in another format, damaged, too small or too large. The size
        is checked before any pixel is decoded.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     Image.new("L", (3, 2), 128).save(f"{folder}/grey.png")
    ...     picture = load_picture(f"{folder}/grey.png")
    >>> picture.luminance.shape, round(float(picture.luminance[0, 0]), 5), picture.notes
    ((2, 3), 0.21586, ())
    """
    with open_picture(path) as image:
        luminance, notes = _read(image)
    return Picture(luminance, printable(Path(path).name), tuple(notes))


@contextmanager
def open_picture(path: FilePath) -> Iterator[Image.Image]:
    """Open a photograph with Pillow; convert errors in the `with` block to a `PathgenError`.

    Raises
    ------
    PathgenError
        As in `load_picture`.
    """
    # Pillow maps some files that it opens by name into memory, and then corrupts a TIFF stored with rotation.
    # It therefore gets a stream.
    with filled_input(path, FORMATS_TEXT) as stream:
        try:
            with quiet_decoders(), Image.open(stream, formats=FORMATS) as image:
                check_size(image.height, image.width, str(path))
                yield image
        except MemoryError:
            raise
        except Exception as error:  # decoders raise many types for damaged files
            raise picture_error(error, Path(path)) from error


@contextmanager
def filled_input(path: FilePath, expected: str) -> Iterator[BinaryIO]:
    """Open an input file, and reject an empty one."""
    with open_input(path, expected) as stream:
        if not stream.read(1):
            raise PathgenError("the file is empty", where=input_name(path), allowed=expected)
        stream.seek(0)
        yield stream


def picture_error(error: Exception, file: Path) -> PathgenError:
    """Return the error for a file that cannot be read as a picture."""
    where = str(file)
    if isinstance(error, PathgenError):
        return PathgenError(error.what, where=where, allowed=error.allowed, hint=error.hint)
    if isinstance(error, UnidentifiedImageError):
        return PathgenError("the file is not a picture", where=where, allowed=FORMATS_TEXT)
    if isinstance(error, Image.DecompressionBombError):  # Pillow's own limit, beyond ours
        what = f"the picture has more than {MEGAPIXELS} megapixels"
        return PathgenError(what, where=where, allowed=SIZES_TEXT, hint="reduce the size of the picture")
    what = f"the picture is damaged or truncated: {error or type(error).__name__}"
    return PathgenError(what, where=where, allowed=FORMATS_TEXT, hint="export the picture again as PNG")


@contextmanager
def quiet_decoders() -> Iterator[None]:
    """Suppress warnings from image decoders.

    Pillow warns of damaged metadata and large sizes; relevant problems are reported as errors or notes here.
    It also logs some errors before it raises them, and the TIFF library writes to standard error directly.
    The stream is therefore redirected temporarily, if there is one.
    """
    with warnings.catch_warnings(), ExitStack() as afterwards:
        warnings.simplefilter("ignore")
        with suppress(OSError):  # the stream is closed
            kept = os.dup(2)
            afterwards.callback(os.close, kept)
            afterwards.callback(os.dup2, kept, 2)
            with open(os.devnull, "wb") as null:
                os.dup2(null.fileno(), 2)
        yield


def _read(image: Image.Image) -> tuple[Luminance, list[str]]:
    """Return the upright luminance of an open image, and notes."""
    coding = Coding.of(image)
    image.load()
    luminance, notes = to_luminance(image, coding)
    # Read after loading, because Pillow rotates a TIFF while loading it and then removes the tag.
    orientation = image.getexif().get(ExifTags.Base.Orientation, 1)
    frames = _frames(image)  # last, because seeking replaces profile and size of the image
    if frames > 1:
        many = f"{frames}" if frames < FRAMES else f"{FRAMES} or more"
        notes.insert(0, f"only the first of {many} frames is used")
    return apply_orientation(luminance, orientation), notes


def _frames(image: Image.Image) -> int:
    """Count the frames of an image, up to `FRAMES`.

    The frames of a TIFF form a chain that has to be followed and may be very long; a damaged one ends it.
    """
    if image.format != "TIFF":
        return int(getattr(image, "n_frames", 1))
    count = 1
    with suppress(Exception):  # EOFError at the end, other errors for a damaged frame
        while count < FRAMES:
            image.seek(count)
            count += 1
    return count


def apply_orientation(stored: Luminance, orientation: int) -> Luminance:
    """Rotate a stored picture upright by its EXIF orientation (TIFF 6.0, tag 274)."""
    if orientation in (2, 3, 7, 8):  # the first column is the right side, or the bottom if rotated
        stored = stored[:, ::-1]
    if orientation in (3, 4, 6, 7):  # the first row is the bottom, or the right side if rotated
        stored = stored[::-1]
    return np.ascontiguousarray(stored.swapaxes(0, 1) if orientation in (5, 6, 7, 8) else stored)


def is_thickness(path: FilePath) -> bool:
    """Return whether the name of a file is that of a thickness array (`.npy`).

    Examples
    --------
    >>> is_thickness("window.NPY"), is_thickness("harbour.png")
    (True, False)
    """
    return Path(path).suffix.lower() == ".npy"


def load_thickness(path: FilePath) -> NDArray[np.float64]:
    """Read a thickness array from an `.npy` file.

    Parameters
    ----------
    path : path-like
        An `.npy` file with a thickness map, as in `check_thickness`.

    Returns
    -------
    (rows, cols) float64
        Thickness, mm.

    Raises
    ------
    PathgenError
        For any other file. Shape and type are checked before the values are read; pickled objects are never
        loaded.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     np.save(f"{folder}/step.npy", [[1, 2], [2, 3]])
    ...     load_thickness(f"{folder}/step.npy").tolist()
    [[1.0, 2.0], [2.0, 3.0]]
    """
    where = input_name(path)
    try:
        with filled_input(path, "an .npy file of thickness in mm") as stream, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # numpy warns of headers written by Python 2, which are fine
            values = _stored(stream, where)
    except (PathgenError, MemoryError):
        raise
    except Exception as error:  # parsing the header may raise many types
        reason = " ".join(str(error).split())[:120]
        what = f"the thickness array cannot be read: {reason}"
        allowed, hint = "a complete .npy file of real numbers", "write the array with numpy.save"
        raise PathgenError(what, where=where, allowed=allowed, hint=hint) from error
    return check_thickness(values, where)


def _stored(stream: BinaryIO, where: str) -> NDArray[Any]:
    """Read an `.npy` file after a check of its header.

    The file is not mapped into memory, because a file truncated by another program would end the process with
    a bus error.
    """
    layout = np.lib.format
    version = layout.read_magic(stream)
    if version not in ((1, 0), (2, 0)):  # version 3 is for names of columns
        raise ValueError(f"version {version[0]}.{version[1]} of the format is not supported")
    read = layout.read_array_header_1_0 if version == (1, 0) else layout.read_array_header_2_0
    shape, by_columns, dtype = read(stream)
    _check_form(shape, dtype, where)
    values = np.fromfile(stream, dtype, shape[0] * shape[1])
    if len(values) < shape[0] * shape[1]:
        raise ValueError(f"the file contains only {len(values):,} of {shape[0] * shape[1]:,} values")
    return values.reshape(shape[::-1]).T if by_columns else values.reshape(shape)


def check_thickness(values: NDArray[Any], where: str = "array") -> NDArray[np.float64]:
    """Reject an array that is not a valid thickness map, and return a copy.

    Parameters
    ----------
    values : array
        Thickness, mm, row 0 at the top of the panel. Two dimensions, real and finite, from 0 to 1000 mm, at
        least 2 × 2 and at most 100 million values.
    where : str, optional
        Name of the array in errors, such as its file.

    Returns
    -------
    (rows, cols) float64
        Thickness, mm; values below a millionth of a millimetre become 0.

    Raises
    ------
    PathgenError
        For any other array.

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
        what = f"thickness is {values[row, col]} at row {row}, column {col}"
        what += f"; {np.count_nonzero(bad)} of {values.size} values are invalid"
        hint = "replace invalid values before writing the array"
        raise PathgenError(what, where=where, allowed="finite values of 0 mm or more", hint=hint)
    if high > MAX_THICKNESS:
        what, allowed = f"the maximum thickness is {high:.9g} mm", f"at most {MAX_THICKNESS:g} mm"
        raise PathgenError(what, where=where, allowed=allowed, hint="convert the map to mm")
    checked = np.array(values, dtype=np.float64, order="C")
    checked[checked < MIN_THICKNESS] = 0.0
    return checked


def _check_form(shape: tuple[int, ...], dtype: np.dtype[Any], where: str) -> None:
    """Reject an array whose shape or type is not that of a thickness map."""
    if len(shape) != 2:
        what, allowed = f"the array has {len(shape)} dimensions", "2 dimensions (rows and columns)"
        raise PathgenError(what, where=where, allowed=allowed)
    if dtype.kind not in "fiu":
        what, allowed = f"the array is of type {dtype}", "real numbers (thickness in mm)"
        raise PathgenError(what, where=where, allowed=allowed)
    check_size(*shape, where, "array")


def check_size(rows: int, cols: int, where: str, what: str = "picture") -> None:
    """Reject a picture or array with too few or too many pixels."""
    if min(rows, cols) < 2 or rows * cols > MEGAPIXELS * 1_000_000:
        hint = "reduce the number of pixels" if min(rows, cols) >= 2 else ""
        raise PathgenError(f"{what} has {cols} × {rows} pixels", where=where, allowed=SIZES_TEXT, hint=hint)
