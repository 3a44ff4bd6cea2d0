"""Compare the fills on two maps: one of open data, one of the harbour museum's.

    python examples/compare_fills.py        # writes examples/fills.csv and examples/fills.png

Every figure is read from the written program, not from the plan: the thickness that its text deposits
against the map, gaps and overlap of evenly spaced layers; bead-count changes, strokes, travel and time are
the planner's. The open map is the elevation of the Jacksboro fault that ships inside matplotlib's sample
data.
"""

import csv
import tempfile
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cbook import get_sample_data
from matplotlib.figure import Figure

from pathgen import Job, make
from pathgen.gcode.read import read_program
from pathgen.proof.deposit_map import deposit, thickness_error
from pathgen.proof.frame import Frame
from pathgen.proof.metrics import measure_coverage, pool_layers, sample_layers

HERE = Path(__file__).parent
FILLS = [("tailored", "along"), ("terraced", "along"), ("contour", "along")]
FILLS += [("raster", direction) for direction in ("along", "across", "alternate")]
LAYERS = 7
WIDTH = 60.0


def fault():
    """Elevation of the fault as thickness, 0.8 to 3 mm, 0.1 mm pixels."""
    height = np.array(get_sample_data("jacksboro_fault_dem.npz")["elevation"], float)
    return 0.8 + 2.2 * (height - height.min()) / np.ptp(height)


def measure(source, name, fill, direction, folder):
    """Make one program and measure what its text deposits."""
    out = Path(folder) / "panel.gcode"
    job = Job(width=WIDTH, brim=0.0, rim_width=1.5, fill=fill, direction=direction, machine="moving-gantry")
    result = make(source, out, job)
    planned, summary = result.planned, result.summary
    machine = planned.setup.machine
    amounts = {
        "packing": planned.setup.beads.packing,
        "filament_diameter": machine.hot_end.filament_diameter,
    }
    program = read_program(out, machine.dialect, machine.hot_end.filament_diameter)
    frame = Frame.of(program)
    layers = planned.layers
    wanted = layers.profiles(0, len(layers)).thickness[::-1]
    error = thickness_error(deposit(program, frame, **amounts), wanted, ends=1.0)
    chosen = sample_layers(LAYERS, len(layers))
    sections = [layers.profiles(i, i + 1).thickness[0] for i in chosen]
    plane = pool_layers(measure_coverage(program, frame, sections, chosen, **amounts))
    return {
        "map": name,
        "fill": fill if fill != "raster" else f"raster {direction}",
        "thickness_rms_mm": round(error["rms"], 4),
        "thickness_bias_mm": round(error["bias"], 5),
        "void_share": round(plane.void_share, 4),
        "overlap_share": round(plane.overlap_share, 4),
        "outside_share": round(plane.outside_share, 4),
        "wrong_share": round(sum(getattr(plane, f"{n}_share") for n in ("void", "overlap", "outside")), 4),
        "changes_per_layer": summary.bead_changes_per_layer,
        "strokes_per_layer": round(summary.strokes / summary.layers, 2),
        "travel_mm_per_layer": round(summary.travel_mm / summary.layers, 1),
        "time_s": summary.times.time_s,
    }


def figure(rows, path):
    """Draw the table as bars: what is wrong with the picture, and what is wrong with the plane."""
    maps = list(dict.fromkeys(row["map"] for row in rows))
    sheet = Figure(figsize=(10, 6.4), layout="constrained")
    FigureCanvasAgg(sheet)
    for line, (key, label) in enumerate(
        (("thickness_rms_mm", "thickness error, RMS, mm"), (None, "share of the section"))
    ):
        for column, name in enumerate(maps):
            ours = [row for row in rows if row["map"] == name]
            axes = sheet.add_subplot(2, len(maps), 1 + column + line * len(maps))
            at, labels = np.arange(len(ours)), [row["fill"].replace(" ", "\n") for row in ours]
            if key:
                axes.bar(at, [row[key] for row in ours], color="#3b6e8f")
                axes.set_yscale("log")
                axes.set_title(name, loc="left")
            else:
                base = np.zeros(len(ours))
                for share, colour in (("void", "#22313d"), ("overlap", "#c98b2b"), ("outside", "#9fb7c4")):
                    values = np.array([row[f"{share}_share"] for row in ours])
                    axes.bar(at, values, bottom=base, color=colour, label=share)
                    base += values
                axes.legend(frameon=False)
            axes.set_xticks(at, labels, fontsize=8)
            axes.set_ylabel(label if column == 0 else "")
            axes.spines[["top", "right"]].set_visible(False)
    sheet.savefig(path, dpi=110, metadata={"Software": None})


def main():
    """Measure, write the table and the figure."""
    maps = {"fault elevation": fault(), "lighthouse": HERE / "pictures" / "lighthouse.png"}
    with tempfile.TemporaryDirectory() as folder:
        rows = [measure(source, name, *fill, folder) for name, source in maps.items() for fill in FILLS]
    with open(HERE / "fills.csv", "w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, rows[0])
        table.writeheader()
        table.writerows(rows)
    figure(rows, HERE / "fills.png")
    for row in rows:
        print("  ".join(f"{value:>16}" for value in row.values()))


if __name__ == "__main__":
    main()
