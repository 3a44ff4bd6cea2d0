"""Files no library at hand writes: PNG of any depth, and small ICC profiles."""

import struct
import zlib

import numpy as np
import pytest

# Primaries adapted to D50, as sRGB and wide gamut display profiles carry them (from memory).
SRGB = ((0.4361, 0.2225, 0.0139), (0.3851, 0.7169, 0.0971), (0.1431, 0.0606, 0.7141))
WIDE = ((0.5151, 0.2412, -0.0011), (0.2919, 0.6922, 0.0419), (0.1572, 0.0666, 0.7841))


def _chunk(name, data):
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def _png(path, rows, depth, colour, width=None, transparent=None, height=None):
    """PNG (W3C): `rows` of packed bytes or big-endian words; `colour` 0 grey, 2 RGB, 4 grey and alpha."""
    head = struct.pack(">IIBBBBB", width or len(rows[0]), height or len(rows), depth, colour, 0, 0, 0)
    body = zlib.compress(b"".join(b"\0" + np.ascontiguousarray(row).tobytes() for row in rows))
    clear = (
        b"" if transparent is None else _chunk(b"tRNS", struct.pack(f">{len(transparent)}H", *transparent))
    )
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + clear + _chunk(b"IDAT", body) + _chunk(b"IEND", b"")
    )
    return path


def _fixed(*values):
    return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))


def _xyz(values):
    return b"XYZ \0\0\0\0" + _fixed(*values)


def _profile(kind, space, connection, tags):
    """ICC.1:2001 profile: 128 bytes of header, table of tags, tags."""
    name = b"trial " + space.strip()
    text = b"desc\0\0\0\0" + struct.pack(">I", len(name) + 1) + name + b"\0" + bytes(78)
    tags = {b"desc": text, b"cprt": b"text\0\0\0\0none\0", b"wtpt": _xyz((0.9642, 1, 0.8249)), **tags}
    table, body, start = struct.pack(">I", len(tags)), b"", 132 + 12 * len(tags)
    for tag, data in tags.items():
        table += tag + struct.pack(">II", start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    head = struct.pack(
        ">I4sI4s4s4s12s4s", start + len(body), b"", 0x02400000, kind, space, connection, b"", b"acsp"
    )
    head += bytes(28) + _fixed(0.9642, 1, 0.8249)
    return head + bytes(128 - len(head)) + table + body


def _display(gamma, primaries=SRGB):
    curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256))
    tags = {c + b"TRC": curve for c in (b"r", b"g", b"b")}
    tags |= {c + b"XYZ": _xyz(p) for c, p in zip((b"r", b"g", b"b"), primaries, strict=True)}
    return _profile(b"mntr", b"RGB ", b"XYZ ", tags)


def _grey(gamma):
    curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256))
    return _profile(b"mntr", b"GRAY", b"XYZ ", {b"kTRC": curve})


def _press():
    """CMYK to Lab: L* falls linearly with black ink, coloured inks do nothing."""
    ramp = bytes(range(256))
    corners = b"".join(bytes((0 if n & 1 else 255, 128, 128)) for n in range(16))  # black varies fastest
    table = b"mft1\0\0\0\0" + bytes((4, 3, 2, 0)) + _fixed(1, 0, 0, 0, 1, 0, 0, 0, 1)
    table += ramp * 4 + corners + ramp * 3
    return _profile(b"prtr", b"CMYK", b"Lab ", {b"A2B0": table, b"A2B1": table})


@pytest.fixture
def write_png():
    return _png


@pytest.fixture
def profiles():
    return {"display": _display, "grey": _grey, "press": _press, "wide": WIDE}
