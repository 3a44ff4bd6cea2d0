"""What the page tells of a print, worked out from the written program's text and held against the plan.

The text is replayed: pictures, layers, times and melt rate come from it, so that what is shown is what the
machine will be given. Only the bead counts and the sway are the plan's.
"""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path

import numpy as np
from matplotlib import colormaps
from matplotlib.colors import Colormap, to_hex
from numpy.typing import NDArray
from PIL import Image

from pathgen import optics
from pathgen.deposit.blur import smear
from pathgen.motion import Kind, Moves, limit_feed, plan_speeds
from pathgen.picture import encode_srgb, lightness
from pathgen.plan.model import Planned
from pathgen.plan.source import read_source, to_panel
from pathgen.proof.compare import match_sizes
from pathgen.proof.deposit_map import inside_ends, thickness_error
from pathgen.proof.header import Stated
from pathgen.proof.panel_replay import Effects, Reading, Replayed, lay_down, read_back
from pathgen.proof.trace import measure_melt_rate
from pathgen.report.canvas import THICKNESS_COLOURS, area_mean
from pathgen.report.replay_figures import round_up
from pathgen.settings import Setup, job_from

Floats = NDArray[np.float64]
Codes = NDArray[np.uint8]

ENDS = 1.0  # mm at either end of every stretch of wall that do not count, as `pathgen replay` leaves them out
TIMED = 1 << 17  # moves timed at once, and then to the end of their layer
TIMES = 160  # points of the curves over time
BANDS = 60  # bands of height that time is told for
GROUPS = ("wall", "beside", "dry")
BESIDE = (Kind.BRIM, Kind.START, Kind.WEDGE, Kind.COMB)
ERROR_SHADES = 41  # odd, so that one of them is "no difference"
# Red where it is brighter than wanted, blue where darker, as in the map of too thin and too thick wall.
ERROR_COLOURS = colormaps["RdBu_r"]


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A written program against what was wanted of it; maps are as the viewer sees the panel.

    Attributes
    ----------
    found : Replayed
    thickness : (rows, cols) float64
        Laid down, mm; the nozzle's smear is in the predicted picture only.
    thickness_error : dict of str to float
        Of that against the one planned, mm: `rms`, `bias`, `p99`, `max`, the ends of wall left out.
    wanted, predicted : (rows, cols) float64
        Linear luminance, 1 at the picture's white.
    wall, inner : (rows, cols) bool
        Where there is to be wall, and where it counts for figures and scales.
    difference : (rows, cols) float64
        L* of `predicted` less that of `wanted`.
    rms, most : float
        Root mean square of it and what 99 % are within, the ends of wall left out.
    solved : bool
        The wanted picture is that of the tones alone, the wall having been solved for.
    """

    found: Replayed
    thickness: Floats
    wanted: Floats
    predicted: Floats
    difference: Floats
    wall: NDArray[np.bool_]
    inner: NDArray[np.bool_]
    thickness_error: dict[str, float]
    rms: float
    most: float
    solved: bool


def read_text(setup: Setup, program: Path) -> Reading:
    """Read a program once, for all its panels: with lag where it leads the filament."""
    light = Effects(lag=setup.job.lead == "on", by_material=True)
    return read_back(program, setup.machine, setup.material, light=light)


def judge(planned: Planned, text: Reading, panel: int | None = None) -> Judged:
    """Lay a panel of a program down and hold its picture against the wanted one.

    Parameters
    ----------
    planned : Planned
        The panel. Where its wall was solved for a picture (``aim = "picture"``), the wanted picture is worked
        out once more from what it was made of.
    text : Reading
        What was written, from `read_text`.
    panel : int, optional
        Which of several it is, from 1.

    Returns
    -------
    Judged
        Predicted through nozzle, lag (where the program leads it) and the material's spread of light.
    """
    setup, found = planned.setup, lay_down(text, Stated(panel=panel))
    view, pixel = planned.panel.view, found.standing.frame.pixel
    laid, planned_wall = match_sizes(found.laid, planned.panel.thickness)
    thickness = laid.upright(len(planned_wall))
    error = thickness_error(thickness, planned_wall, ends=ENDS, pixel=pixel)
    toned = _toned(planned)
    target = planned_wall if toned is None else match_sizes(found.laid, toned)[1]
    wanted = clip_to_white(optics.backlit(target, optics.law(setup.material.light), found.white))
    volume = np.asarray(smear(laid.volume, setup.machine.hot_end.nozzle_diameter, pixel), np.float64)
    predicted = clip_to_white(found.lit(replace(laid, volume=volume).upright(len(planned_wall))))
    wall = planned_wall > 0
    inner = inside_ends(planned_wall, ENDS, pixel) & wall
    inner = inner if inner.any() else wall
    difference = np.where(wall, lightness(predicted) - lightness(wanted), 0.0)
    counted = difference[inner]
    return Judged(
        found,
        thickness=view.upright(thickness),
        wanted=view.upright(wanted),
        predicted=view.upright(predicted),
        difference=view.upright(difference),
        wall=view.upright(wall),
        inner=view.upright(inner),
        thickness_error=error,
        rms=float(np.sqrt(np.mean(counted**2))),
        most=float(np.percentile(np.abs(counted), 99)),
        solved=toned is not None,
    )


def clip_to_white(luminance: NDArray[np.floating]) -> Floats:
    """Keep luminance between black and the picture's white: a hole, or a thinner place, is as white."""
    return np.clip(np.asarray(luminance, np.float64), 0.0, 1.0)


def _toned(planned: Planned) -> Floats | None:
    """Work out the wall that shows each tone by itself, as it stands; None for the one planned."""
    setup, source = planned.setup, planned.made_of
    if setup.job.aim != "picture" or source is None:
        return None
    job = job_from({"aim": "tone", "dither": "off", "slope": "free"}, "report", setup.job)
    plain = replace(setup, job=job)
    panel, _ = to_panel(read_source(source, plain, job.pixel), plain)
    return planned.panel.view.standing(panel.view.upright(panel.thickness))


@dataclass(frozen=True, slots=True)
class PageImages:
    """Pictures as PNG in data addresses, and the scales of those that have one: colours and ends."""

    wanted: str
    predicted: str
    difference: str
    thickness: str
    difference_colours: tuple[str, ...]
    difference_end: float
    thickness_colours: tuple[str, ...]
    thickness_ends: tuple[float, float]


def draw_images(judged: Judged, largest: int) -> PageImages:
    """Draw the pictures, their longer side at most `largest` dots."""
    rows, cols = judged.wall.shape
    times = min(1.0, largest / max(rows, cols))
    high, wide = max(1, round(rows * times)), max(1, round(cols * times))

    def fit(values: Floats) -> Floats:
        return values if times == 1.0 else np.asarray(area_mean(values, high, wide), np.float64)

    wall = fit(judged.wall.astype(np.float64)) >= 0.5
    laid, counted = fit(judged.thickness), judged.thickness[judged.inner]
    low, thick = float(counted.min()), max(float(counted.max()), float(counted.min()) + 0.05)
    reach = round_up(max(judged.most, 0.5))
    error = fit(judged.difference) / (2 * reach) + 0.5
    return PageImages(
        wanted=_grey(fit(judged.wanted), wall),
        predicted=_grey(fit(judged.predicted), wall),
        difference=_coloured(error, wall, ERROR_COLOURS, ERROR_SHADES),
        thickness=_coloured((laid - low) / (thick - low), wall, THICKNESS_COLOURS, 255),
        difference_colours=_shades(ERROR_COLOURS, ERROR_SHADES),
        difference_end=reach,
        thickness_colours=_shades(THICKNESS_COLOURS, 48),
        thickness_ends=(low, thick),
    )


def _grey(luminance: Floats, wall: NDArray[np.bool_]) -> str:
    """Spell luminance as a grey PNG that lets the page show through where there is no wall."""
    codes = np.maximum(np.rint(255 * encode_srgb(luminance)), 1).astype(np.uint8)
    return _png(Image.fromarray(np.where(wall, codes, 0).astype(np.uint8)))


def _coloured(share: Floats, wall: NDArray[np.bool_], colours: Colormap, shades: int) -> str:
    codes = 1 + np.clip(share * shades, 0, shades - 1).astype(np.uint8)
    image = Image.fromarray(np.where(wall, codes, 0).astype(np.uint8)).convert("P")
    table = np.zeros((256, 3), np.uint8)
    table[1 : shades + 1] = colours((np.arange(shades) + 0.5) / shades, bytes=True)[:, :3]
    image.putpalette(table.tobytes())
    return _png(image)


def _png(image: Image.Image) -> str:
    buffer = BytesIO()
    image.save(buffer, "PNG", transparency=0, optimize=False, compress_level=7)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def _shades(colours: Colormap, number: int) -> tuple[str, ...]:
    return tuple(to_hex(colours((i + 0.5) / number)) for i in range(number))


@dataclass(frozen=True, slots=True, eq=False)
class Paces:
    """Where the time goes, and how hard the hot end works.

    Attributes
    ----------
    layer_seconds : (L,) float64
        Time of each layer of the program, s.
    z : (B + 1,) float64
        Borders of bands of height, mm.
    band_seconds : (3, B) float64
        Time in each band for the wall, for what stands beside it, and without deposit, s.
    hours : (T,) float64
        Time since the first move.
    mean, peak : (T,) float64
        Volume melted a second while depositing, its mean and the highest, mm³/s.
    """

    layer_seconds: Floats
    z: Floats
    band_seconds: Floats
    hours: Floats
    mean: Floats
    peak: Floats


def measure_paces(found: Replayed) -> Paces:
    """Time a program's layers as its machine will drive them.

    Parameters
    ----------
    found : Replayed

    Returns
    -------
    Paces
    """
    tops, moves = np.nan_to_num(found.program.tops), found.program.moves
    total = len(tops)
    seconds, made, volume, peak = np.zeros((3, total)), np.zeros(total), np.zeros(total), np.zeros(total)
    group = np.full(len(Kind), GROUPS.index("dry"))
    group[[Kind.WALL, Kind.HAIRPIN]] = GROUPS.index("wall")
    group[list(BESIDE)] = GROUPS.index("beside")
    for part in _pieces(moves):
        feed = np.where(part.feed > 0, part.feed, found.machine.travel_feed)
        part = replace(part, feed=feed)
        plan = plan_speeds(part, found.machine, limit_feed(part, found.machine))
        melt = measure_melt_rate(part, plan, found.standing.filament_diameter)
        layer, laid = part.layer, melt.deposit
        cell = group[part.kind] * total + layer
        seconds += np.bincount(cell, plan.time, 3 * total).reshape(3, total)
        made += np.bincount(layer[laid], plan.time[laid], total)
        volume += np.bincount(layer[laid], (melt.mean * plan.time)[laid], total)
        np.maximum.at(peak, layer[laid], melt.peak[laid])
    each = seconds.sum(axis=0)
    # Layers are gathered, so that a curve has no more points than can be seen.
    step = -(-total // TIMES)
    starts = np.arange(0, total, step)
    time, amount = np.add.reduceat(made, starts), np.add.reduceat(volume, starts)
    borders = np.linspace(0.0, float(tops.max()), min(BANDS, total) + 1)
    band = np.clip(np.searchsorted(borders, tops - 1e-9) - 1, 0, len(borders) - 2)
    bands = np.stack([np.bincount(band, row, len(borders) - 1).astype(np.float64) for row in seconds])
    return Paces(
        layer_seconds=each,
        z=borders,
        band_seconds=bands,
        hours=np.cumsum(np.add.reduceat(each, starts)) / 3600,
        mean=np.divide(amount, time, out=np.zeros(len(time)), where=time > 0),
        peak=np.maximum.reduceat(peak, starts),
    )


def _pieces(moves: Moves) -> list[Moves]:
    """Cut moves where layers end, some layers to a piece: between layers the head rests."""
    starts = np.flatnonzero(np.diff(moves.layer)) + 1
    at = np.searchsorted(starts, np.arange(TIMED, len(moves), TIMED))
    cuts = np.unique([0, *starts[at[at < len(starts)]].tolist(), len(moves)])
    return [
        moves.rows(slice(first, last))
        for first, last in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True)
    ]


def bead_shares(counts: NDArray[np.int8]) -> list[tuple[int, float]]:
    """Give the share of the wall's length that has each number of beads side by side.

    Parameters
    ----------
    counts : (layers, columns) int8
        As planned; 0 where there is no wall.

    Returns
    -------
    list of (int, float)
        By number of beads; shares add up to 1. Empty where there is no wall.
    """
    found = np.bincount(counts[counts > 0].astype(np.intp))
    total = int(found.sum())
    return [(int(n), float(found[n] / total)) for n in np.flatnonzero(found)] if total else []


def digest_of(program: Path) -> tuple[int, str]:
    """Give a program's size in bytes and its SHA-256 (FIPS 180-4)."""
    with open(program, "rb") as handle:
        return program.stat().st_size, hashlib.file_digest(handle, "sha256").hexdigest()
