"""Draw the harbour museum's archive pictures, with numpy and Pillow alone.

    python examples/draw_pictures.py [--out FOLDER] [--scale S] [NAME ...]

The same picture comes out every time. All four take a few minutes; `--scale 0.3` gives small ones in seconds.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from scenes import chart, crane, lighthouse, pilot

SCENES = {"lighthouse": lighthouse.draw, "crane": crane.draw, "pilot": pilot.draw, "chart": chart.draw}


def main() -> None:
    options = argparse.ArgumentParser(description="Draw the harbour museum's archive pictures.")
    options.add_argument("names", nargs="*", metavar="NAME", help=f"{', '.join(SCENES)}; by default all")
    options.add_argument(
        "--out", type=Path, default=Path(__file__).parent / "pictures", help="folder to write to"
    )
    options.add_argument("--scale", type=float, default=1.0, help="size, as a share of the whole")
    chosen = options.parse_args()
    unknown = [name for name in chosen.names if name not in SCENES]
    if unknown:
        options.error(f"unknown picture {unknown[0]!r}; there are {', '.join(SCENES)}")
    chosen.out.mkdir(parents=True, exist_ok=True)
    for name in chosen.names or SCENES:
        start = time.perf_counter()
        picture = SCENES[name](chosen.scale)
        path = chosen.out / f"{name}.png"
        picture.save(path, optimize=True)
        size = f"{picture.width} × {picture.height}, {path.stat().st_size / 1000:.0f} kB"
        print(f"{path}: {size}, {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
