"""Photographs and thickness arrays: reading, conversion to luminance, and fit to a panel."""

from pathgen.picture.colorimetry import decode_srgb, encode_srgb, lightness, luminance
from pathgen.picture.files import check_thickness, is_thickness, load_picture, load_thickness
from pathgen.picture.sizing import fit_to_panel, proportions, resample, tone_notes

__all__ = [
    "check_thickness",
    "decode_srgb",
    "encode_srgb",
    "fit_to_panel",
    "is_thickness",
    "lightness",
    "load_picture",
    "load_thickness",
    "luminance",
    "proportions",
    "resample",
    "tone_notes",
]
