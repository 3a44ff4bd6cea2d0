"""The whole toolpath as named columns in one ``.npz`` file, for whoever wants to study it.

Schema, version 1. Every column has one value a move, in the order of the program; a move that rounding left
out of the program's text is here all the same.

| column | type | is |
| --- | --- | --- |
| x, y, z | float64 | end of the move in machine coordinates, mm |
| u, n | float64 | the same in panel coordinates, mm (z is the third) |
| filament | float64 | filament fed, mm of filament, unrounded; negative: drawn back |
| spacing | float32 | cross-section area over layer height, mm; 0 where nothing is deposited along a path |
| height | float32 | layer height, mm |
| feed | float32 | speed aimed at, mm/s |
| entry, exit, peak | float32 | planned speeds, mm/s |
| time | float32 | planned duration, s |
| kind | uint8 | a `pathgen.motion.Kind` |
| layer | int32 | layer number from 0 |

Beside the columns stand `start` (3,) float64, the position before the first move; `top` (L,) float64, the
layers' tops; and `about`, a JSON text with the schema's version, the settings' digest and the names of the
kinds.
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
from types import TracebackType
from typing import IO, BinaryIO

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from pathgen.errors import PathgenError
from pathgen.files.inputs import open_input
from pathgen.motion.moves import Kind, Moves
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
# A zip file wants a date: the same for all, so that the same input gives the same bytes.
_MOMENT = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class Recorded:
    """A toolpath read back.

    Attributes
    ----------
    columns : dict of str to (N,) array
        As in the module's schema.
    start : (3,) float64
    top : (L,) float64
    about : dict
    """

    columns: dict[str, NDArray[np.generic]]
    start: NDArray[np.float64]
    top: NDArray[np.float64]
    about: dict[str, object]

    def moves(self) -> Moves:
        """Give the columns that `Moves` has."""
        names = ("x", "y", "z", "filament", "feed", "kind", "layer")
        x, y, z = (float(v) for v in self.start)
        picked = {name: self.columns[name] for name in names}
        picked["feed"] = picked["feed"].astype(np.float64)
        return Moves((x, y, z), **picked)  # type: ignore[arg-type]


class MovesRecorder:
    """Takes moves block by block, out of memory, and writes them as one file.

    A context manager: the columns wait in temporary files until `finish`.
    """

    def __init__(self, machine: Machine, placement: Placement, top: NDArray[np.float64]) -> None:
        self._placement, self._top = placement, np.asarray(top, np.float64)
        self._height = np.diff(self._top, prepend=0.0)
        self._area = machine.hot_end.section
        self._files: dict[str, IO[bytes]] = {}
        self._stack = ExitStack()
        self._start: tuple[float, float, float] | None = None
        self._rows = 0

    def __enter__(self) -> MovesRecorder:
        """Open the temporary files."""
        self._files = {name: self._stack.enter_context(TemporaryFile()) for name in COLUMNS}
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Drop the temporary files."""
        self._stack.close()

    def take(self, moves: Moves, feed: NDArray[np.float64], plan: SpeedPlan) -> None:
        """Add moves that follow those taken before, with the feed and speeds planned for them."""
        if self._start is None:
            self._start = moves.start
        u, n = self._placement.to_panel(moves.x, moves.y)
        height = self._height[moves.layer]
        length = moves.path()
        laid = (length > 0) & (moves.filament > 0)
        spacing = np.zeros(len(moves))
        np.divide(moves.filament * self._area, height * length, out=spacing, where=laid)
        columns: Mapping[str, NDArray[np.generic]] = {
            "x": moves.x, "y": moves.y, "z": moves.z, "u": u, "n": n, "filament": moves.filament,
            "spacing": spacing, "height": height, "feed": feed, "entry": plan.entry, "exit": plan.exit,
            "peak": plan.peak, "time": plan.time, "kind": moves.kind, "layer": moves.layer,
        }  # fmt: skip
        for name, kind in COLUMNS.items():
            self._files[name].write(np.ascontiguousarray(columns[name], dtype=kind).data)
        self._rows += len(moves)

    def finish(self, stream: BinaryIO, settings: str) -> None:
        """Write the file.

        Parameters
        ----------
        stream : binary file
            Seekable.
        settings : str
            Digest of the settings.
        """
        kinds = {kind.name.lower(): int(kind) for kind in Kind}
        about = json.dumps({"schema": VERSION, "settings": settings, "kinds": kinds})
        small = {
            "start": np.array(self._start or (0, 0, 0), "<f8"),
            "top": self._top,
            "about": np.array(about),
        }
        with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
            for name, values in small.items():
                with archive.open(zipfile.ZipInfo(f"{name}.npy", _MOMENT), "w") as member:
                    npy.write_array(member, values, allow_pickle=False)
            for name, kind in COLUMNS.items():
                with archive.open(zipfile.ZipInfo(f"{name}.npy", _MOMENT), "w", force_zip64=True) as member:
                    head = {"descr": kind, "fortran_order": False, "shape": (self._rows,)}
                    npy.write_array_header_1_0(member, head)
                    self._files[name].seek(0)
                    copyfileobj(self._files[name], member, 1 << 20)


def read_moves(path: str | Path) -> Recorded:
    """Read a toolpath that ``pathgen panel --moves`` wrote.

    Parameters
    ----------
    path : path

    Returns
    -------
    Recorded

    Raises
    ------
    PathgenError
        When it is no such file, or of a newer schema.
    """
    try:
        with open_input(path, "a toolpath (.npz)") as stream, np.load(stream, allow_pickle=False) as archive:
            about = json.loads(str(archive["about"]))
            if about["schema"] != VERSION:
                what = f"toolpath of schema {about['schema']}"
                raise PathgenError(what, where=str(path), allowed=str(VERSION), hint="update pathgen")
            columns = {name: archive[name] for name in COLUMNS}
            return Recorded(columns, archive["start"], archive["top"], about)
    except (KeyError, ValueError, OSError, TypeError, zipfile.BadZipFile) as error:
        hint = "pathgen panel --moves writes one"
        raise PathgenError(f"no toolpath: {error}", where=str(path), hint=hint) from None
