"""Measuring one case: its program made, read back and judged, in a folder of its own that goes away again."""

from __future__ import annotations

import io
import math
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np

from pathgen.errors import PathgenError
from pathgen.job import make
from pathgen.motion import plan_speeds
from pathgen.plan.model import Result
from pathgen.proof.compare import Effects, PanelReplay, compare, replay
from pathgen.proof.metrics import Row, measure_coverage, pool_layers, sample_layers
from pathgen.proof.trace import count_strokes, measure_melt_rate, measure_spacing
from pathgen.settings import Setup, digest, job_from
from pathgen.study.case_files import File, is_file, write_case_files
from pathgen.study.columns import COLUMNS
from pathgen.study.results_table import cell, versions
from pathgen.study.study_file import Case, Request

# The same words wherever a case is made, and for a process that the system ends as for one told that there is
# no more memory: which of the two it is hangs on the system.
PROGRAM = "panel.gcode"
ENDED = "the worker ended while at this case, alone as well: out of memory, or a fault in a library"


@dataclass(frozen=True, slots=True)
class Measured:
    """What came of a case.

    Attributes
    ----------
    number : int
        Of the case.
    cells : tuple of str
        One for each column asked for; empty where there is no figure.
    refused : str
        Why there is none, in one line; empty where all went well.
    versions : str
        What it was worked out with.
    arrays : bytes
        An .npz file, as `_arrays` makes it; empty where there is none, or none was asked for.
    """

    number: int
    cells: tuple[str, ...]
    refused: str
    versions: str
    arrays: bytes = b""


def measure(case: Case, request: Request, files: Mapping[str, File], scratch: str | None = None) -> Measured:
    """Make and measure one case.

    Parameters
    ----------
    case : Case
    request : Request
    files : mapping of str to File
        At least those that the case names.
    scratch : str, optional
        Folder to work in. By default the system's for such things.

    Returns
    -------
    Measured
        The same wherever it is worked out. A refusal is part of it, never raised: of the case, and then no
        cell has a figure, or of one group of columns, and then the others have theirs.

    Raises
    ------
    PathgenError
        Where the folder to work in has no room: that is no fault of the case, and no row.

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
    found: dict[str, object] = {}
    reasons: list[str] = []
    arrays = b""
    with tempfile.TemporaryDirectory(prefix="pathgen-", dir=scratch) as name:
        folder = Path(name).resolve()
        places = write_case_files({given: files[given] for given in case.files}, folder)
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
                raise PathgenError(
                    "no room to work in", where=str(folder.parent), hint="TMPDIR names another place"
                ) from error
            reasons.append(str(error))
        except MemoryError:
            found, reasons, arrays = {}, [ENDED], b""
        except Exception as error:  # a fault of ours must not cost a person the other cases
            reasons.append(f"unexpected {type(error).__name__}: {' '.join(str(error).split())}")
    refused = "; ".join(dict.fromkeys(_at_home(reason, places) for reason in reasons))
    cells = tuple(cell(found.get(column)) for column in request.columns)
    return Measured(case.number, cells, refused, versions(), arrays)


def ended_at(case: Case, request: Request) -> Measured:
    """Give the row of a case that ended whoever measured it."""
    return Measured(case.number, ("",) * len(request.columns), ENDED, versions())


def _made(
    case: Case, request: Request, places: Mapping[str, Path], out: Path, judged: bool
) -> tuple[Result, PanelReplay | None]:
    """Write the program, and read it back where that is asked for."""
    there = {key: str(places[str(v)]) if is_file(key, v) else v for key, v in case.job.items()}
    result = make(places[case.picture], out, job_from(there, f"case {case.number}"))
    if not judged:
        return result, None
    setup = result.planned.setup
    light = Effects(smear=request.viewed, by_material=request.viewed)
    return result, replay(out, setup.machine, setup.material, effects=light)


def _plan(case: Case, result: Result) -> dict[str, object]:
    """Give the plan's figures; the digest is that of the settings as the study names their files."""
    setup = result.planned.setup
    given = {key: v for key, v in case.job.items() if key in ("outline", "isolate") and is_file(key, v)}
    job = msgspec.structs.replace(setup.job, **given)
    return {**result.summary, "digest": digest(Setup(job, setup.machine, setup.material))}


def _text(result: Result, found: PanelReplay, request: Request) -> dict[str, object]:
    return {f"text_{key}": value for key, value in found.as_dict(request.ends).items()}


def _against(result: Result, found: PanelReplay, request: Request) -> dict[str, object]:
    panel = result.planned.panel
    return dict(compare(found, panel.view.upright(panel.thickness), ends=request.ends).as_dict())


def _plane(result: Result, found: PanelReplay, request: Request) -> dict[str, object]:
    """Judge some layers; packing may differ from one to the other."""
    _refuse_several(result, "figures in the plane of a layer")
    layers, stands = result.planned.layers, found.panel
    chosen = sample_layers(request.layers, len(layers))
    packing = np.broadcast_to(stands.packing, len(layers))
    judged = []
    for layer in chosen:
        section = layers.profiles(layer, layer + 1).thickness[0]
        judged += measure_coverage(
            found.program, stands.frame, [section], [layer],
            packing=float(packing[layer]), filament_diameter=stands.filament_diameter,
        )  # fmt: skip
    row = pool_layers(judged)
    parts = [row[f"{name}_share"] for name in ("void", "overlap", "outside")]
    wrong = None if None in parts else sum(float(str(part)) for part in parts)
    return {**row, "wrong_share": wrong}


def _path(result: Result, found: PanelReplay, request: Request) -> dict[str, object]:
    """Trace the path; moves before the first feed word go at the machine's travel feed."""
    _refuse_several(result, "figures along the path")
    stands, job, machine = found.panel, result.planned.setup.job, found.machine
    if np.ptp(stands.packing) > 0:
        raise PathgenError("figures along the path, and packing changes", allowed="one packing")
    assert job.spacing_min is not None and job.spacing_max is not None, "settle fills them in"
    moves = found.program.moves
    moves = replace(moves, feed=np.where(moves.feed > 0, moves.feed, machine.travel_feed))
    spacings = measure_spacing(
        moves, stands.frame, packing=float(np.max(stands.packing)),
        filament_diameter=stands.filament_diameter, limits=(job.spacing_min, job.spacing_max),
    )  # fmt: skip
    rate = measure_melt_rate(moves, plan_speeds(moves, machine), machine.hot_end.filament_diameter)
    tallied: Row = count_strokes(moves, stands.frame).as_dict()
    crossings = {key: value for key, value in tallied.items() if key.endswith("_per_layer")}
    crossings.pop("loose_ends_per_layer")  # the plan's, which knows the rim
    return crossings | _finite(spacings.as_dict()) | _finite(rate.as_dict())


def _finite(row: Row) -> dict[str, object]:
    return {key: None if isinstance(v, float) and not math.isfinite(v) else v for key, v in row.items()}


def _arrays(case: Case, result: Result, found: PanelReplay, request: Request) -> bytes:
    """Pack what was wanted and what the program deposits, as the viewer sees it, row 0 at the top.

    Maps of thickness in mm, and the picture lit from behind: linear luminance, 1 at the picture's white.
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


def _refuse_several(result: Result, what: str) -> None:
    if len(result.parts) > 1:
        many = len(result.parts)
        raise PathgenError(f"{what}, and {many} panels in the program", where="copies", allowed="1")


_GROUPS: dict[str, Callable[[Result, PanelReplay, Request], dict[str, object]]] = {
    "text": _text,
    "against": _against,
    "plane": _plane,
    "path": _path,
}


def _at_home(reason: str, places: Mapping[str, Path]) -> str:
    """Name files in a refusal as the study does: the folder they were laid out in tells nobody anything."""
    for given, place in places.items():
        reason = reason.replace(str(place), given)
    return reason
