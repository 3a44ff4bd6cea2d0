"""Measurement of one case: write the program to a temporary folder, read it back, and compute the columns."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pathgen.errors import PathgenError
from pathgen.files.quantities import Row, flatten
from pathgen.job import make
from pathgen.motion import plan_speeds
from pathgen.program.result import Result
from pathgen.proof.compare import Effects, PanelReplay, compare, replay
from pathgen.proof.metrics import measure_coverage, pool_layers, sample_layers
from pathgen.proof.trace import PathFigures, count_strokes, measure_melt_rate, measure_spacing
from pathgen.settings import digest, job_from
from pathgen.study.case_files import File, is_file, write_case_files
from pathgen.study.columns import COLUMNS, GROUPS
from pathgen.study.results_table import cell, versions
from pathgen.study.study_file import Case, Request

PROGRAM = "panel.gcode"
# The same text for a killed process and for one without memory, as the system decides which of them happens.
ENDED = "the worker died on this case, even when the case ran alone: out of memory, or a library crashed"


@dataclass(frozen=True, slots=True)
class Measured:
    """Measured values of a case, or the reason why values are missing.

    Attributes
    ----------
    number : int
        Number of the case.
    cells : tuple of str
        One for each column asked for; empty if there is no figure.
    refused : str
        Reason for missing figures, in one line; empty if there are none.
    versions : str
        Versions of pathgen, Python and the numerical libraries.
    arrays : bytes
        An .npz file as from `_arrays`; empty if none was asked for or made.
    """

    number: int
    cells: tuple[str, ...]
    refused: str
    versions: str
    arrays: bytes = b""


Attempt = Callable[[Sequence[Case]], Iterator[tuple[Case, Measured | None]]]


def measure(case: Case, request: Request, files: Mapping[str, File], scratch: str | None = None) -> Measured:
    """Make and measure the program of one case.

    Parameters
    ----------
    case : Case
    request : Request
    files : mapping of str to File
        Those that the case names, and possibly others.
    scratch : str, optional
        Folder for temporary files; by default that of the system.

    Returns
    -------
    Measured
        The same on every machine. Errors in a case are part of the result and never raised: an error of the
        whole case leaves all cells empty, an error of one group of columns only the cells of this group.

    Raises
    ------
    PathgenError
        When the folder for temporary files is full, as that is not an error of the case.

    Examples
    --------
    >>> import io
    >>> wall = io.BytesIO()
    >>> np.save(wall, np.full((20, 40), 1.6))
    >>> case = Case(1, (), "wall.npy", {"brim": 0.0, "layer": 0.2, "pixel": 0.2})
    >>> files = {"wall.npy": File("wall.npy", wall.getvalue())}
    >>> found = measure(case, Request(("layers", "void_share")), files)
    >>> found.cells[0], found.refused
    ('50', '')
    """
    groups = [group for group in _GROUPS if any(COLUMNS[name].group == group for name in request.columns)]
    found: Row = {}
    reasons: list[str] = []
    arrays = b""
    with tempfile.TemporaryDirectory(prefix="pathgen-", dir=scratch) as temporary:
        folder = Path(temporary).resolve()
        places = write_case_files({name: files[name] for name in case.files}, folder)
        try:
            result, read_back = _made(case, request, places, folder / PROGRAM, bool(groups or request.arrays))
            found |= _plan(case, result)
            for group in groups:
                assert read_back is not None
                try:
                    found |= _GROUPS[group](result, read_back, request)
                except PathgenError as error:
                    reasons.append(str(error))
            if request.arrays and read_back is not None:
                arrays = _arrays(case, result, read_back, request)
        except PathgenError as error:
            if str(folder / PROGRAM) in str(error):
                what, hint = "no space for temporary files", "set TMPDIR to another folder"
                raise PathgenError(what, where=str(folder.parent), hint=hint) from error
            reasons.append(str(error))
        except MemoryError:
            found, reasons, arrays = {}, [ENDED], b""
        except Exception as error:  # a bug of pathgen must not stop the other cases
            reasons.append(f"unexpected {type(error).__name__}: {' '.join(str(error).split())}")
    refused = "; ".join(dict.fromkeys(_with_study_names(reason, places) for reason in reasons))
    cells = tuple(cell(found.get(column)) for column in request.columns)
    return Measured(case.number, cells, refused, versions(), arrays)


def retry_alone(attempt: Attempt, cases: Sequence[Case], request: Request) -> Iterator[Measured]:
    """Measure cases; repeat a case alone if its worker crashed or ran out of memory.

    Parameters
    ----------
    attempt : callable
        Measures several cases; gives None for a case whose worker died.
    cases : sequence of Case
    request : Request

    Yields
    ------
    Measured
        In order of completion; cases that are tried again come last. The row of a case that kills its worker
        again says so.
    """
    lost = []
    for case, found in attempt(cases):
        if found is None or found.refused == ENDED:
            lost.append(case)
        else:
            yield found
    for case in lost:
        for _, found in attempt([case]):
            yield found or Measured(case.number, ("",) * len(request.columns), ENDED, versions())


def _made(
    case: Case, request: Request, places: Mapping[str, Path], out: Path, judged: bool
) -> tuple[Result, PanelReplay | None]:
    """Write the program of a case, and replay it if a column requires the replay."""
    there = {key: str(places[str(v)]) if is_file(key, v) else v for key, v in case.job.items()}
    result = make(places[case.picture], out, job_from(there, f"case {case.number}"))
    if not judged:
        return result, None
    setup = result.planned.setup
    light = Effects(smear=request.viewed, by_material=request.viewed)
    return result, replay(out, setup.machine, setup.material, effects=light)


def _plan(case: Case, result: Result) -> Row:
    """Return the planned values; the digest uses the file names in the study."""
    files = {key: v for key, v in case.job.items() if key in ("outline", "isolate") and is_file(key, v)}
    return flatten(result.summary) | {"digest": digest(result.planned.setup.changed(**files))}


def _text(result: Result, found: PanelReplay, request: Request) -> Row:
    return {f"{GROUPS['text'].prefix}{key}": value for key, value in found.as_dict(request.ends).items()}


def _against(result: Result, found: PanelReplay, request: Request) -> Row:
    panel = result.planned.panel
    return compare(found, panel.view.upright(panel.thickness), ends=request.ends).as_dict()


def _plane(result: Result, found: PanelReplay, request: Request) -> Row:
    """Measure the sampled layers, each with the packing at that height."""
    _reject_several(result, "columns in the plane of a layer")
    layers, stands = result.planned.layers, found.panel
    packing = np.broadcast_to(stands.packing, len(layers))
    measured = []
    for layer in sample_layers(request.layers, len(layers)):
        section = layers.profiles(layer, layer + 1).thickness[0]
        measured += measure_coverage(
            found.program, stands.frame, [section], [layer],
            packing=float(packing[layer]), filament_diameter=stands.filament_diameter,
        )  # fmt: skip
    return flatten(pool_layers(measured))


def _path(result: Result, found: PanelReplay, request: Request) -> Row:
    """Measure the toolpath; moves before the first F word run at the machine's travel feed."""
    _reject_several(result, "columns along the path")
    stands, beads, machine = found.panel, result.planned.setup.beads, found.machine
    if np.ptp(stands.packing) > 0:
        what = "columns along the path need a constant packing"
        raise PathgenError(what, where="band", allowed="the same packing in all layers")
    moves = found.program.moves
    moves = replace(moves, feed=np.where(moves.feed > 0, moves.feed, machine.travel_feed))
    spacings = measure_spacing(
        moves, stands.frame, packing=float(np.max(stands.packing)),
        filament_diameter=stands.filament_diameter, limits=(beads.spacing_min, beads.spacing_max),
    )  # fmt: skip
    rate = measure_melt_rate(moves, plan_speeds(moves, machine), machine.hot_end.filament_diameter)
    return flatten(PathFigures(count_strokes(moves, stands.frame).per_layer, spacings, rate))


def _arrays(case: Case, result: Result, found: PanelReplay, request: Request) -> bytes:
    """Pack target and deposited maps into an .npz file, as viewed, row 0 at the top.

    Maps of thickness are in mm; the backlit picture is linear luminance, 1 at the picture's white.
    """
    panel = result.planned.panel
    both = compare(found, panel.view.upright(panel.thickness))
    stream = io.BytesIO()
    np.savez_compressed(
        stream, study=np.str_(request.arrays), case=np.int64(case.number),
        pixel_mm=np.float64(found.panel.frame.pixel),
        wanted_mm=both.wanted.astype(np.float32),
        deposited_mm=(both.wanted + both.gap).astype(np.float32),
        light=found.picture.astype(np.float32),
    )  # fmt: skip
    return stream.getvalue()


def _reject_several(result: Result, what: str) -> None:
    if len(result.parts) > 1:
        text = f"{what} need a single panel, but the program has {len(result.parts)}"
        raise PathgenError(text, where="copies", allowed="1")


_GROUPS = {"text": _text, "against": _against, "plane": _plane, "path": _path}


def _with_study_names(reason: str, places: Mapping[str, Path]) -> str:
    """Replace temporary paths in a message with the file names in the study."""
    for name, place in places.items():
        reason = reason.replace(str(place), name)
    return reason
