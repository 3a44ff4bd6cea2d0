"""Measurements: speed as ratios within one run, peak memory, scaling. Prints a table; asserts nothing.

    python tests/bench/bench.py [--quick] [--layers N]

The mesh route is cut on N evenly spaced layers (30 by default; 0 for all) and its time per layer scaled to
the whole panel, its mesh counted once. Everything else is measured whole, the best of a few runs. Our time is
given twice: with the check of the written program, and without it, as the other routes check nothing.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from PIL import Image
from skimage import data

sys.path.insert(0, str(Path(__file__).parent))

from mesh_route import mesh_route

from pathgen import Job, make, plan
from pathgen.gcode import ProgramWriter
from pathgen.gcode.read import read_program
from pathgen.job import plan_several
from pathgen.motion import limit_feed
from pathgen.program.sequence import blocks
from pathgen.program.writing import _placeholders
from pathgen.proof.checklist import check_program

PEAK = r"""
import re, sys
from msgspec.structs import replace
from pathgen import Job, load_machine, make
machine = load_machine("moving-gantry")
machine = replace(machine, volume=replace(machine.volume, x=(0.0, 400.0), y=(0.0, 400.0), z=(0.0, 400.0)))
make(sys.argv[1], sys.argv[2], Job(width=float(sys.argv[3]), brim=0.0), machine)
# A child inherits its parent's peak in getrusage; the kernel's own mark starts anew with the program.
print(int(re.search(r"VmHWM:\s+(\d+)", open("/proc/self/status").read())[1]) / 1024)
"""


def best(runs, function):
    """Least time of a few runs, s."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)


def floor(platform, out):
    """Time to format and write just the moves of a planned panel, which are made beforehand, s."""
    planned, machine = platform.panels[0], platform.setup.machine
    ready = [(block.moves, limit_feed(block.moves, machine)) for block in blocks(platform)]

    def write():
        with open(out, "wb") as stream:
            writer = ProgramWriter(stream, machine, planned.setup.material.fan)
            writer.begin([], _placeholders(platform), planned.layers.top, planned.layers.height)
            for moves, feed in ready:
                writer.write(moves, feed)

    return best(3, write), sum(len(moves) for moves, _ in ready)


def whole(found, layers):
    """Scale a sampled mesh route to all layers; its mesh is made once. Seconds."""
    return found["mesh"] + sum(found[k] for k in ("cut", "join", "offset", "text")) * layers / found["layers"]


def memory(photo, out, width):
    """Peak memory of a fresh process that makes a panel, MiB."""
    done = subprocess.run(
        [sys.executable, "-c", PEAK, str(photo), str(out), str(width)],
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout)


def main():
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--quick", action="store_true", help="a 30 mm panel instead of 100 mm")
    options.add_argument("--layers", type=int, default=30, help="layers of the mesh route; 0 for all")
    chosen = options.parse_args()
    width = 30.0 if chosen.quick else 100.0
    with tempfile.TemporaryDirectory() as folder:
        out, photo = Path(folder) / "panel.gcode", Path(folder) / "camera.png"
        Image.fromarray(data.camera()).save(photo)
        job = Job(width=width, brim=0.0)
        ours = best(3, lambda: make(photo, out, job))
        checking = best(3, lambda: check_program(out))
        platform = plan_several([(photo, job)])
        planned = platform.panels[0]
        layers = len(planned.layers)
        written, moves = floor(platform, Path(folder) / "floor.gcode")
        machine = planned.setup.machine
        make(photo, out, job)
        read = best(3, lambda: read_program(out, machine.dialect, machine.hot_end.filament_diameter))
        third = best(3, lambda: make(photo, out, Job(width=width / 3, brim=0.0)))
        samples = (
            planned.panel.thickness.size / plan(photo, Job(width=width / 3, brim=0.0)).panel.thickness.size
        )
        taken = min(chosen.layers, layers) or layers
        mesh = {
            way: whole(
                mesh_route(planned.panel.thickness, job.pixel, job.layer, out, taken, by_bands=banded), layers
            )
            for way, banded in (("as the libraries offer it", False), ("faces sorted into bands", True))
        }
        small = memory(photo, out, width)
        large = memory(photo, out, 3 * width)

    alone = ours - checking
    rows = [
        (f"panel of {width:g} mm, picture to file", f"{ours:.2f} s", f"{moves:,} moves"),
        ("the same without its own check", f"{alone:.2f} s", f"the check is {100 * checking / ours:.0f} %"),
        *(
            (
                f"mesh route, {way}",
                f"{time:.1f} s",
                f"from {taken} of {layers} layers; {time / ours:.0f} times ours, {time / alone:.0f} without",
            )
            for way, time in mesh.items()
        ),
        (
            "formatting and writing the same moves",
            f"{written:.2f} s",
            f"ours takes {ours / written:.1f} times that, {alone / written:.1f} without",
        ),
        ("reading the program back", f"{read:.2f} s", f"{written / read:.2f} of the writer's speed"),
        (
            f"a panel of {width / 3:.1f} mm",
            f"{third:.2f} s",
            f"{samples:.1f} times fewer samples, {ours / third:.1f} times quicker",
        ),
        ("peak memory", f"{small:.0f} MiB", f"{large:.0f} MiB at {3 * width:g} mm"),
    ]
    for what, figure, remark in rows:
        print(f"{what:<46}{figure:>10}   {remark}")


if __name__ == "__main__":
    main()
