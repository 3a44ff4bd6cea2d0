"""Measure `check_program`: time against writing the same moves, and peak memory. Prints; asserts nothing.

    python tests/bench/check.py [--width MM]

The program is a panel of a photograph; the larger it is, the more moves. Writing is formatting and writing
just the moves, made beforehand, as in bench.py; of two panels in turn, one's is scaled by the moves.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image
from skimage import data

sys.path.insert(0, str(Path(__file__).parent))

from bench import best, floor

from pathgen import Job, load_machine, make
from pathgen.gcode.read import read_program
from pathgen.job import plan_several
from pathgen.proof.checklist import check_program

PEAK = r"""
import re, sys
from pathgen.proof.checklist import check_program
check_program(sys.argv[1])
# A child inherits its parent's peak in getrusage; the kernel's own mark starts anew with the program.
print(int(re.search(r"VmHWM:\s+(\d+)", open("/proc/self/status").read())[1]) / 1024)
"""


def memory(path):
    """Peak memory of a fresh process that checks a program, MiB."""
    done = subprocess.run([sys.executable, "-c", PEAK, str(path)], capture_output=True, text=True, check=True)
    return float(done.stdout)


def main():
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--width", type=float, default=100.0, help="of the panel, mm")
    width = options.parse_args().width
    rows, machine = [], load_machine("moving-gantry")
    with tempfile.TemporaryDirectory() as folder:
        out, photo = Path(folder) / "panel.gcode", Path(folder) / "camera.png"
        Image.fromarray(data.camera()).save(photo)
        for name, size, more in (
            ("one panel", width, {}),
            ("two in turn", width / 2, {"copies": 2, "build": "in-turn", "axis": "x"}),
        ):
            job = Job(machine="moving-gantry", width=size, brim=0.0, **more)
            platform = plan_several([(photo, Job(machine="moving-gantry", width=size, brim=0.0))])
            written, moves = floor(platform, Path(folder) / "floor.gcode")
            make(photo, out, job)
            read = best(7, lambda: read_program(out, machine.dialect, machine.hot_end.filament_diameter))
            took = best(7, lambda: check_program(out))
            found = check_program(out)
            written *= found.moves / moves
            said = f"{took / written:.2f} of the writing, {written:.2f} s"
            rows.append((f"{name}, {found.moves:,} moves: checked", f"{took:.2f} s", said))
            rows.append(("  of that, reading", f"{read:.2f} s", f"{100 * read / took:.0f} %"))
            rows.append(("  peak memory", f"{memory(out):.0f} MiB", f"{len(found.errors)} errors"))
    for what, figure, remark in rows:
        print(f"{what:<46}{figure:>10}   {remark}")


if __name__ == "__main__":
    main()
