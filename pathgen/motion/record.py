"""Store the whole toolpath as named arrays in a ``.npz`` file, for analysis in other programs.

Schema, version 1. Every array has one value per move, in program order, including moves that rounding removed
from the program text.

| array | type | content |
| --- | --- | --- |
| x, y, z | float64 | end of the move in machine coordinates, mm |
| u, n | float64 | end of the move in panel coordinates, mm (z is the third) |
| filament | float64 | filament fed, mm of filament, unrounded; negative if drawn back |
| spacing | float32 | cross-section area divided by layer height, mm; 0 without a deposit along a path |
| height | float32 | layer height, mm |
| feed | float32 | target speed, mm/s |
| entry, exit, peak | float32 | planned speeds, mm/s |
| time | float32 | planned duration, s |
| kind | uint8 | a `pathgen.motion.Kind` |
| layer | int32 | layer number from 0 |

The file also contains `start` (3,) float64, the position before the first move; `top` (L,) float64, the tops
of the layers; and `about`, a JSON text with the schema version, the digest of the settings and the names of
the kinds.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from shutil import copyfileobj
from tempfile import TemporaryFile
from typing import BinaryIO

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.files.inputs import open_input
from pathgen.motion.moves import Kind, Moves, Position
from pathgen.motion.speed import SpeedPlan
from pathgen.route import Placement
from pathgen.settings import Machine

VERSION = 1
COLUMNS: dict[str, str] = {
    **dict.fromkeys(("x", "y", "z", "u", "n", "filament"), "<f8"),
    **dict.fromkeys(("spacing", "height", "feed", "entry", "exit", "peak", "time"), "<f4"),
    "kind": "|u1",
    "layer": "<i4",
}
# A ZIP member needs a date; a constant one makes the output reproducible.
_DATE = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class RecordedMoves:
    """Toolpath read from a file.

    Attributes
    ----------
    columns : dict of str to (N,) array
        The arrays of the schema.
    start : (3,) float64
    top : (L,) float64
    about : dict
    """

    columns: dict[str, NDArray[np.generic]]
    start: NDArray[np.float64]
    top: NDArray[np.float64]
    about: dict[str, object]

    def moves(self) -> Moves:
        """Return the recorded arrays as `Moves`."""
        names = ("x", "y", "z", "filament", "feed", "kind", "layer")
        x, y, z = (float(v) for v in self.start)
        picked = {name: self.columns[name] for name in names}
        picked["feed"] = picked["feed"].astype(np.float64)
        return Moves((x, y, z), **picked)  # type: ignore[arg-type]


class MovesRecorder(ExitStack):
    """Writer of a toolpath file, which collects moves block by block in temporary files.

    Use it as a context manager, which removes the temporary files.
    """

    def __init__(self, machine: Machine, placement: Placement, top: NDArray[np.float64]) -> None:
        super().__init__()
        self._placement, self._top = placement, np.asarray(top, np.float64)
        self._height = np.diff(self._top, prepend=0.0)
        self._area = machine.hot_end.section
        self._files = {name: self.enter_context(TemporaryFile()) for name in COLUMNS}
        self._start: Position | None = None
        self._rows = 0

    def take(self, moves: Moves, feed: NDArray[np.float64], plan: SpeedPlan) -> None:
        """Append consecutive moves, with their feeds and planned speeds."""
        if self._start is None:
            self._start = moves.start
        u, n = self._placement.to_panel(moves.x, moves.y)
        height = self._height[moves.layer]
        length = moves.path()
        deposited = (length > 0) & (moves.filament > 0)
        spacing = np.zeros(len(moves))
        np.divide(moves.filament * self._area, height * length, out=spacing, where=deposited)
        columns: Mapping[str, NDArray[np.generic]] = {
            "x": moves.x, "y": moves.y, "z": moves.z, "u": u, "n": n, "filament": moves.filament,
            "spacing": spacing, "height": height, "feed": feed, "entry": plan.entry, "exit": plan.exit,
            "peak": plan.peak, "time": plan.time, "kind": moves.kind, "layer": moves.layer,
        }  # fmt: skip
        for name, kind in COLUMNS.items():
            self._files[name].write(np.ascontiguousarray(columns[name], dtype=kind).data)
        self._rows += len(moves)

    def finish(self, stream: BinaryIO, settings: str) -> None:
        """Write the toolpath file.

        Parameters
        ----------
        stream : binary file
            Seekable.
        settings : str
            Digest of the settings.
        """
        kinds = {kind.name.lower(): int(kind) for kind in Kind}
        about = json.dumps({"schema": VERSION, "settings": settings, "kinds": kinds})
        start = np.array(self._start or (0, 0, 0), "<f8")
        small = {"start": start, "top": self._top, "about": np.array(about)}
        with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
            for name, values in small.items():
                with archive.open(zipfile.ZipInfo(f"{name}.npy", _DATE), "w") as member:
                    npy.write_array(member, values, allow_pickle=False)
            for name, kind in COLUMNS.items():
                with archive.open(zipfile.ZipInfo(f"{name}.npy", _DATE), "w", force_zip64=True) as member:
                    head = {"descr": kind, "fortran_order": False, "shape": (self._rows,)}
                    npy.write_array_header_1_0(member, head)
                    self._files[name].seek(0)
                    copyfileobj(self._files[name], member, 1 << 20)


def read_moves(path: str | Path) -> RecordedMoves:
    """Read a toolpath written by ``pathgen panel --moves``.

    Parameters
    ----------
    path : path

    Returns
    -------
    RecordedMoves

    Raises
    ------
    PathgenError
        If the file is not a toolpath, or has a newer schema.
    """
    try:
        with open_input(path, "a toolpath (.npz)") as stream, np.load(stream, allow_pickle=False) as archive:
            about = json.loads(str(archive["about"]))
            if about["schema"] != VERSION:
                what = f"the toolpath has schema {about['schema']}"
                raise PathgenError(what, where=str(path), allowed=f"schema {VERSION}", hint="update pathgen")
            columns = {name: archive[name] for name in COLUMNS}
            return RecordedMoves(columns, archive["start"], archive["top"], about)
    except (KeyError, ValueError, OSError, TypeError, zipfile.BadZipFile) as error:
        hint = "write a toolpath with `pathgen panel --moves`"
        raise PathgenError(f"the file is not a toolpath: {error}", where=str(path), hint=hint) from None
