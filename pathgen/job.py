"""The pipeline: a picture goes in, a machine's program and what is known of it come out.

    picture ─► luminance ─► thickness ─► panel ─► layers ─► strokes ─► moves ─► program text

Panels are settled first (`plan`), then given their places, then written layer by layer (`write`).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pathgen.files.outputs import atomic_output, check_outputs
from pathgen.plan.model import Planned, Platform, Result
from pathgen.plan.settle import plan, plan_several
from pathgen.plan.source import Source
from pathgen.program.within import settled
from pathgen.program.writing import Progress, prove, write
from pathgen.settings import Job, Machine, Material

__all__ = ["Planned", "Platform", "Result", "make", "make_several", "plan", "plan_several", "write"]


def make(
    source: Source,
    out: str | Path,
    job: Job | None = None,
    machine: Machine | None = None,
    material: Material | None = None,
    *,
    progress: Progress | None = None,
) -> Result:
    """Make the program of one panel, or of some copies of it.

    Parameters
    ----------
    source : path or (rows, cols) array
        A photograph, or thickness in mm (an array or a ``.npy`` file), row 0 at the top.
    out : path
        The program's file. It appears when it is complete, or not at all.
    job : Job, optional
        By default a panel 100 mm wide with everything else as a `Job` has it.
    machine, material : optional
        Records to use instead of the ones the job names.
    progress : callable, optional
        Called with (layers done, layers in all).

    Returns
    -------
    Result

    Raises
    ------
    PathgenError
        For anything refused; then there is no file.

    Examples
    --------
    >>> import tempfile
    >>> import numpy as np
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     result = make(np.full((40, 60), 1.6), f"{folder}/plate.gcode", Job(brim=2.0))
    >>> result.summary["layers"], result.summary["rotation_deg"]
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
    """Make one program of several panels.

    Parameters
    ----------
    panels : sequence of (source, job)
        As `make` takes them. Their jobs agree in the keys of `pathgen.plan.settle.SHARED`.
    out, machine, material, progress
        As in `make`.

    Raises
    ------
    PathgenError
        For anything refused; then there is no file.
    """
    check_outputs({"out": out}, [source for source, _ in panels if isinstance(source, str | Path)])
    panels, traded = settled(panels, machine, material)
    platform = plan_several(panels, machine, material)
    with atomic_output(out) as stream:
        result = write(platform, stream, progress, notes=traded)
        prove(platform, stream)
        return result
