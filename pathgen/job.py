"""Pipeline from a picture to a machine program and a summary.

    picture ─► luminance ─► thickness ─► panel ─► layers ─► strokes ─► moves ─► program text

Panels are planned and placed on the platform (`plan_several`), then written block by block (`write`).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pathgen.files.outputs import atomic_output, check_outputs
from pathgen.plan.model import Planned, Platform
from pathgen.plan.settle import plan_panel, plan_several
from pathgen.plan.source import Source
from pathgen.program.result import Result
from pathgen.program.within import settled
from pathgen.program.writing import Progress, prove, write
from pathgen.settings import Job, Machine, Material

__all__ = ["Planned", "Platform", "Result", "make", "make_several", "plan_panel", "plan_several", "write"]


def make(
    source: Source,
    out: str | Path,
    job: Job | None = None,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    progress: Progress | None = None,
) -> Result:
    """Make a program for one panel, or for several copies of one panel.

    Parameters
    ----------
    source : path or (rows, cols) array
        A photograph, or thickness in mm (an array or a ``.npy`` file), row 0 at the top.
    out : path
        File of the program. It appears only when it is complete.
    job : Job, optional
        By default a panel 100 mm wide, with the default values of `Job`.
    machine, material : optional
        Used instead of the profiles that the job names.
    progress : callable, optional
        Called with (layers done, layers in all).

    Returns
    -------
    Result

    Raises
    ------
    PathgenError
        For invalid input; then there is no file.

    Examples
    --------
    >>> import tempfile
    >>> import numpy as np
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     result = make(np.full((40, 60), 1.6), f"{folder}/plate.gcode", Job(brim=2.0))
    >>> result.summary.layers, result.summary.rotation_deg
    (99, 90)
    """
    return make_several([(source, job or Job())], out, machine, material, progress=progress)


def make_several(
    panels: Sequence[tuple[Source, Job]],
    out: str | Path,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    progress: Progress | None = None,
) -> Result:
    """Combine several panels into one program.

    Parameters
    ----------
    panels : sequence of (source, job)
        As `make` takes them. Their jobs agree in the keys of `pathgen.plan.settle.SHARED`.
    out, machine, material, progress
        As in `make`.

    Raises
    ------
    PathgenError
        For invalid input; then there is no file.
    """
    check_outputs({"out": out}, [source for source, _ in panels if isinstance(source, str | Path)])
    panels, traded = settled(panels, machine, material)
    platform = plan_several(panels, machine, material)
    with atomic_output(out) as stream:
        result = write(platform, stream, progress, notes=traded)
        prove(platform, stream)
        return result
