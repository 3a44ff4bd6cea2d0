"""Small programs that the checklist's tests share."""

import io

import numpy as np

from pathgen import Job
from pathgen.job import plan_several, write


def wall(rows=30, cols=100):
    """A smooth wall between 1 and 2.4 mm that leans nowhere by more than 45 degrees."""
    z, u = np.mgrid[0:rows, 0:cols] / 10.0
    return 1.7 + 0.7 * np.sin(0.5 * u + 0.3 * z)


def program(machine, source=None, profile=None, **job):
    stream = io.BytesIO()
    job = {"brim": 2.0, "rim_width": 0.0, "layer": 0.2} | job
    write(
        plan_several([(wall() if source is None else source, Job(machine=machine, **job))], profile), stream
    )
    return stream.getvalue()


def numbers(checked, level=None):
    return {finding.number for finding in checked.findings if level in (None, finding.level)}


def without_sums(text):
    """Leave out the sums of the layers, so that the rules about single beads judge every layer."""
    return b"".join(line for line in text.splitlines(keepends=True) if b"sum filament" not in line)
