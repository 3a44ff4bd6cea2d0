"""Photographs and thickness arrays: read, decoded to light, fitted to the panel."""

from pathgen.picture.fit import fit, proportions, resample, tone_notes
from pathgen.picture.load import Picture, check_thickness, is_thickness, load_picture, load_thickness
from pathgen.picture.tone import WEIGHTS, decode_srgb, encode_srgb, lightness, luminance

__all__ = [
    "WEIGHTS",
    "Picture",
    "check_thickness",
    "decode_srgb",
    "encode_srgb",
    "fit",
    "is_thickness",
    "lightness",
    "load_picture",
    "load_thickness",
    "luminance",
    "proportions",
    "resample",
    "tone_notes",
]
