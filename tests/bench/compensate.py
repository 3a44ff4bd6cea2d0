"""Measurements of panels that are compensated for blur: what it gains on four pictures, and what it costs.

    python tests/bench/compensate.py [--quick] [--runs N]

Errors are root mean squares of CIE lightness L*, seen against wanted; the structural similarity is
scikit-image's, of lightness. Times are the best of a few runs in which `make` and `compensate` take
iterations.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image
from skimage import data
from skimage.metrics import structural_similarity

from pathgen import Job, make, optics, picture
from pathgen.optics.inverse import compensate
from pathgen.optics.predict import backlit, viewed
from pathgen.optics.tone_compression import METHODS, compress, darkest
from pathgen.picture.colorimetry import lightness
from pathgen.settings import load_material

PICTURES = ("camera", "coins", "astronaut", "rocket")
PIXEL = LAYER = 0.1
NOZZLE, SPREAD = 0.4, (0.2, 0.0)
LIMITS = (0.8, 3.0)
ROOMS = ((0.0, 0.0), (0.0, 1.0), (0.2, 1.0))
LAW = optics.law(load_material("pla-white").light)


def luminance_of(name, folder, width):
    """Luminance of one of scikit-image's pictures on a panel's grid; its file is left in the folder."""
    path = Path(folder) / f"{name}.png"
    Image.fromarray(getattr(data, name)()).save(path)
    photo = picture.load_picture(path)
    _, height = picture.proportions(photo.luminance, width)
    return picture.fit_to_panel(photo.luminance, width, height, PIXEL)


def plain_of(luminance):
    """Thickness of every tone by itself."""
    return optics.thickness(luminance, LAW, *LIMITS)


def looks(thickness):
    """Lightness as it is seen."""
    return lightness(viewed(thickness, LAW, PIXEL, LAYER, NOZZLE, SPREAD, LIMITS[0]))


def solve(plain, room, spread=SPREAD):
    """Compensate for the blur that is measured here."""
    return compensate(plain, LAW, PIXEL, *LIMITS, layer=LAYER, nozzle=NOZZLE, spread=spread, room=room)


def gains(plains, room):
    """One row a picture, and the mean gain."""
    found = []
    for name, plain in plains.items():
        wanted = lightness(backlit(plain, LAW, LIMITS[0]))
        start = time.perf_counter()
        made = solve(plain, room)
        took = time.perf_counter() - start
        pictures = looks(plain), looks(made.thickness)
        before, after = (float(np.sqrt(np.mean((p - wanted) ** 2))) for p in pictures)
        alike = [structural_similarity(wanted, p, data_range=100.0) for p in pictures]
        found.append(1 - after / before)
        print(
            f"  {name:<11}error {before:.3f} -> {after:.3f} L* ({100 * found[-1]:4.1f} % less)   "
            f"SSIM {alike[0]:.4f} -> {alike[1]:.4f}   {made.iterations} iterations, {took:.2f} s"
        )
    print(f"  mean gain {100 * np.mean(found):.1f} %")


def cost(plain, folder, width, runs):
    """Time of `make` and of `compensate`, taking iterations, s."""
    out, photo = Path(folder) / "panel.gcode", Path(folder) / "camera.png"
    ways = {
        "plain panel, picture to file": lambda: make(photo, out, Job(width=width, brim=0.0)),
        "compensated, even spread": lambda: solve(plain, ROOMS[-1]),
        "compensated, spread that grows (0.05 + 0.1 t)": lambda: solve(plain, ROOMS[-1], (0.05, 0.1)),
    }
    times = {name: [] for name in ways}
    for _ in range(runs):
        for name, way in ways.items():
            start = time.perf_counter()
            way()
            times[name].append(time.perf_counter() - start)
    least = {name: min(found) for name, found in times.items()}
    first = next(iter(least.values()))
    for name, found in least.items():
        print(f"  {name:<48}{found:.2f} s   {found / first:.1f} times the plain panel's")


def tones(pictures):
    """Mean gradient of L* kept where a clipped picture is black, and everywhere, for every method."""
    black = darkest(LAW, *LIMITS, veil=0.02)
    for name, luminance in pictures.items():
        there = np.hypot(*np.gradient(lightness(luminance)))
        dark = luminance < black
        row = []
        for method in METHODS:
            shown = lightness(black + compress(luminance, black, method).luminance * (1 - black))
            kept = np.hypot(*np.gradient(shown))
            row.append(
                f"{method} {kept[dark].sum() / there[dark].sum():.2f} ({kept.sum() / there.sum():.2f})"
            )
        print(f"  {name:<18}{100 * dark.mean():3.0f} % darker than the panel   " + "   ".join(row))


def main():
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--quick", action="store_true", help="panels 30 mm wide instead of 100 mm")
    options.add_argument("--runs", type=int, default=3)
    chosen = options.parse_args()
    width = 30.0 if chosen.quick else 100.0
    with tempfile.TemporaryDirectory() as folder:
        pictures = {name: luminance_of(name, folder, width) for name in PICTURES}
        plains = {name: plain_of(luminance) for name, luminance in pictures.items()}
        print(
            f"{width:g} mm wide, {PIXEL:g} mm pixels and layers, "
            f"nozzle {NOZZLE:g} mm, spread {SPREAD[0]:g} mm"
        )
        for room in ROOMS:
            low, high = LIMITS[0] - room[0], LIMITS[1] + room[1]
            print(f"white {LIMITS[0]:g} mm, black {LIMITS[1]:g} mm, wall {low:g} to {high:g} mm")
            gains(plains, room)
        print("time")
        cost(plains["camera"], folder, width, chosen.runs)
        print("gradient of L* that is left in those darks, and (over the whole picture)")
        camera = pictures["camera"]
        shade = np.geomspace(1, 0.01, camera.shape[1], dtype=np.float32)
        tones({"camera in shade": camera * shade, **pictures})


if __name__ == "__main__":
    main()
