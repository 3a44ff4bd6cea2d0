"""Rule 718: what each layer deposits, against the sums that the program states for it.

A layer whose sums are right consists of the lines that were written. The rules about single beads (404, 408,
409 and 710 to 716) have nothing to find there, so in a program with sums they judge the other layers only.
"""

from __future__ import annotations

import numpy as np

from pathgen.gcode.layer_sums import LayerSum
from pathgen.proof.checklist.evidence import Subject
from pathgen.proof.checklist.findings import consecutive_rows


def check_sums(subject: Subject) -> None:
    """Check the sums of every layer (rule 718)."""
    stated, measured, log = subject.program.sums, subject.layer_sums, subject.log
    if not stated:
        return
    log.count_checks(len(measured), 718)
    wrong = [layer for layer in measured if layer in stated and subject.damaged[layer]]
    for first, last in consecutive_rows(np.array(wrong, np.intp)):
        rows = np.flatnonzero((subject.moves.layer >= first) & (subject.moves.layer <= last))
        more = f", and {last - first:,} more layers" if last > first else ""
        text = f"layer {first + 1}: {_difference(measured[first], stated[first])}{more}"
        log.add(718, subject.line(int(rows[0])), text, None, "equal", subject.line(int(rows[-1])))
    subject.earlier.layers |= measured.keys()
    if subject.last and (gone := sorted(set(range(max(stated) + 1)) - subject.earlier.layers)):
        log.add(718, 0, f"layer {gone[0] + 1} has no moves, {len(gone):,} in all", len(gone), "none")


def _difference(found: LayerSum, stated: LayerSum) -> str:
    """Describe the first of the sums that differs."""
    name = next((name for name in found._fields if found.differs(stated, name)), "filament")
    what = {
        "filament": "of filament",
        "path": "of path",
        "x": "as the centre in x",
        "y": "as the centre in y",
    }
    return f"{getattr(found, name):.3f} mm {what[name]}, stated {getattr(stated, name):.3f} mm"
