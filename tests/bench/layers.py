"""Layers of several heights against even ones: time and error of both, measured on the written text.

    python tests/bench/layers.py

Time is that of the moves as they will be driven; error is the lightness RMS between the picture that is
wanted and the one that the text shows, on rows of 0.02 mm, inside the rim, 4 mm from its sides.
"""

import tempfile
from pathlib import Path

import numpy as np
from PIL import Image
from skimage import data

from pathgen import Job, make, replay
from pathgen.layers.adaptive import PanelRows
from pathgen.optics import backlit, law
from pathgen.picture import lightness
from pathgen.settings import settle

FINE, PIECE = 0.02, 512


def tone(thickness):
    light = backlit(thickness, law(settle(Job()).material.light), 0.8)
    return lightness(np.where(thickness > 0, np.minimum(light, 1.0), 0.0))


def error_of(result, path):
    found, panel = replay(path).laid, result.planned.panel
    rows = PanelRows.of(panel, tone(panel.thickness))
    z = (np.arange(round(found.frame.tops[-1] / FINE)) + 0.5) * FINE
    layer = np.searchsorted(found.frame.tops, z).clip(max=len(found.volume) - 1)
    laid, total, count = found.thickness[::-1], 0.0, 0.0
    for first in range(0, len(z), PIECE):
        here = slice(first, first + PIECE)
        weight = rows.counted(z[here]) * (z[here] > 0.2)[:, None]
        weight[:, :40] = weight[:, -40:] = 0
        total += float((weight * (tone(laid[layer[here]]) - rows.at(z[here], rows.wanted)) ** 2).sum())
        count += float(weight.sum())
    return (total / count) ** 0.5


def main():
    with tempfile.TemporaryDirectory() as folder:
        print("picture     layers  time   L* RMS   auto over even: time, error")
        for name in ("camera", "coins", "astronaut", "rocket"):
            photo, rows = Path(folder, f"{name}.png"), []
            Image.fromarray(getattr(data, name)()).save(photo)
            for layer in (0.1, "auto"):
                out = Path(folder, "a.gcode")
                result = make(photo, out, Job(layer=layer))
                rows.append(
                    (result.summary["layers"], result.summary["moving_time_s"], error_of(result, out))
                )
            for layers, seconds, error in rows:
                print(f"{name:<11} {layers:>6} {seconds / 3600:5.2f} h {error:7.4f}")
            print(f"{'':<27} {'':8} {rows[1][1] / rows[0][1]:.3f}, {rows[1][2] / rows[0][2]:.3f}")


if __name__ == "__main__":
    main()
