"""A study of fills on three maps of open data: its maps, its table, its figure, and what it shows.

    python examples/study_fills.py [--workers N]

The maps come from scikit-image and matplotlib, which bring them along; everything else is what
`pathgen study examples/fills_study.toml` does. Writes maps/*.npy, fills_study.csv, .png and .md beside this
file; every number in the page is read from the table.
"""

import argparse
from pathlib import Path

import numpy as np
import skimage.data
from matplotlib.cbook import get_sample_data

from pathgen.picture import resample
from pathgen.report.study_figure import study_png
from pathgen.study.run import factor_names, run_study
from pathgen.study.study_file import load_study

HERE = Path(__file__).parent
COLUMNS = 200  # 40 mm of 0.2 mm pixels
THIN, THICK = 0.8, 3.0  # mm
FIGURES = (
    ("wrong_share", "wrong of the section", 100, "{:.2f} %"),
    ("void_share", "gaps", 100, "{:.2f} %"),
    ("overlap_share", "overlap", 100, "{:.2f} %"),
    ("bead_changes_per_layer", "changes a layer", 1, "{:.2f}"),
    ("thickness_rms_mm", "thickness error, RMS", 1000, "{:.2f} µm"),
    ("time_s", "time", 1 / 60, "{:.1f} min"),
)


def maps():
    """Give the open maps as thickness, mm: dark, or high, is thick."""
    high = np.array(get_sample_data("jacksboro_fault_dem.npz")["elevation"], float)
    found = {"camera": -skimage.data.camera().astype(float), "coins": -skimage.data.coins().astype(float)}
    return {name: wall(values) for name, values in (found | {"fault": high}).items()}


def wall(values):
    """Bring a map to walls of 0.8 to 3 mm, `COLUMNS` pixels wide, its middle square."""
    side = min(values.shape)
    top, left = ((length - side) // 2 for length in values.shape)
    small = resample(values[top : top + side, left : left + side], COLUMNS, COLUMNS)
    share = (small - small.min()) / np.ptp(small)
    return (THIN + (THICK - THIN) * share).astype(np.float16)  # to 0.002 mm, half a file's size


def means(table, factor):
    """Means of every figure for each level of a factor, the levels as they come."""
    levels = table.column(factor)
    values = {key: np.array(table.column(key), float) for key, *_ in FIGURES}
    for level in dict.fromkeys(levels):
        here = np.array([each == level for each in levels])
        yield level, {key: float(column[here].mean()) for key, column in values.items()}


def page(table, study):
    """Word what the table shows."""
    lines = [f"# {study.title}", "", f"{len(table.rows)} panels of 40 × 40 mm, `fills_study.csv`; study "]
    lines[-1] += f"`{study.head.digest}`. Written by `study_fills.py`; the figure is `fills_study.png`."
    lines += [
        "",
        "Means over all other factors, each figure from the written programs but for the changes and",
    ]
    lines += ["the time, which are the planner's:", ""]
    lines += [
        "| | " + " | ".join(name for _, name, *_ in FIGURES) + " |",
        "| --- " * (len(FIGURES) + 1) + "|",
    ]
    found = {name: dict(means(table, name)) for name in study.factors}
    for name, levels in found.items():
        for level, row in levels.items():
            shown = (text.format(scale * row[key]) for key, _, scale, text in FIGURES)
            lines.append(f"| {name} {level} | " + " | ".join(shown) + " |")
    lines += ["", "What moves each figure most, lowest level to highest of its means:", ""]
    for key, what, scale, text in FIGURES:
        span = {name: [levels[level][key] for level in levels] for name, levels in found.items()}
        most = max((name for name in span if name != "picture"), key=lambda name: np.ptp(span[name]))
        low, high = (pick(found[most], key=lambda level: found[most][level][key]) for pick in (min, max))
        ends = [text.format(scale * found[most][level][key]) for level in (low, high)]
        lines.append(f"- {what}: {most}, from {ends[0]} ({low}) to {ends[1]} ({high})")
    lines += ["", "Least wrong of each map, and quickest:", ""]
    wrong, seconds = (np.array(table.column(key), float) for key in ("wrong_share", "time_s"))
    for name in dict.fromkeys(table.column("picture")):
        here = np.flatnonzero([each == name for each in table.column("picture")])
        for word, best in (
            ("least wrong", here[wrong[here].argmin()]),
            ("quickest", here[seconds[here].argmin()]),
        ):
            fill, cost, limits = (table.column(key)[best] for key in ("fill", "change_cost", "limits"))
            lines.append(
                f"- {name}, {word}: case {table.column('case')[best]}, {fill}, cost {cost}, limits {limits}: "
                f"{100 * wrong[best]:.2f} % wrong in {seconds[best] / 60:.1f} min"
            )
    return "\n".join([*lines, ""])


def main():
    """Make everything that lies beside this file."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--workers", type=int, default=2)
    workers = parser.parse_args().workers
    (HERE / "maps").mkdir(exist_ok=True)
    for name, values in maps().items():
        np.save(HERE / "maps" / f"{name}.npy", values)
    study = load_study(HERE / "fills_study.toml")
    out = HERE / "fills_study.csv"
    out.unlink(missing_ok=True)  # a table that is whole would be left as it is
    table = run_study(study, out, workers=workers)
    drawn = study_png(table, factor_names(study), study.across, study.up, study.title)
    (HERE / "fills_study.png").write_bytes(drawn)
    text = page(table, study)
    (HERE / "fills_study.md").write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
