"""Data of the report: comparison of the program with the plan, pictures, and times.

Pictures, layers, times and melt rates are replayed from the text of the program, so the report shows what the
machine receives. Only the bead counts and the sway are taken from the plan.
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
from pathgen.motion import Kind, limit_feed, plan_speeds
from pathgen.picture import encode_srgb, lightness
from pathgen.plan.model import Planned
from pathgen.plan.source import read_source, to_panel
from pathgen.proof.compare import match_sizes
from pathgen.proof.deposit_map import inside_ends, thickness_error
from pathgen.proof.panel_replay import (
    Effects,
    PanelReplay,
    TimedProgram,
    read_and_time,
    replay_panel,
)
from pathgen.proof.program_panel import Stated
from pathgen.proof.program_timer import split_layers
from pathgen.proof.trace import measure_melt_rate
from pathgen.report.canvas import THICKNESS_COLOURS
from pathgen.report.replay_figures import round_up
from pathgen.report.resampling import area_mean
from pathgen.settings import Setup

Floats = NDArray[np.float64]

ENDS = 1.0  # mm at both ends of every piece of wall that figures exclude, as in `pathgen replay`
TIMES = 160  # points of the curves over time
BANDS = 60  # bands of height in the time chart
GROUPS = ("wall", "beside", "dry")
BESIDE = (Kind.BRIM, Kind.START, Kind.WEDGE, Kind.COMB)
ERROR_SHADES = 41  # an odd number, so that the middle shade means no difference
# Red is too bright and blue too dark, as in the thickness error map of `pathgen replay`.
ERROR_COLOURS = colormaps["RdBu_r"]


@dataclass(frozen=True, slots=True, eq=False)
class PanelComparison:
    """Comparison of a replayed panel with its plan; maps are oriented as viewed.

    Attributes
    ----------
    found : PanelReplay
    thickness : (rows, cols) float64
        Deposited thickness, mm, without nozzle smear.
    target, predicted : (rows, cols) float64
        Linear luminance, 1 for the picture's white.
    difference : (rows, cols) float64
        L* of `predicted` minus L* of `target`.
    wall, inner : (rows, cols) bool
        Planned wall, and its part without ends, which figures and scales include.
    thickness_error : dict of str to float
        Deposited minus planned thickness, mm, ends excluded: `rms`, `bias`, `p99`, `max`.
    rms, p99 : float
        Root mean square of `difference` and 99th percentile of its magnitude, ends excluded.
    solved : bool
        Whether the wall was solved for the picture, so that `target` shows the tones of the picture.
    """

    found: PanelReplay
    thickness: Floats
    target: Floats
    predicted: Floats
    difference: Floats
    wall: NDArray[np.bool_]
    inner: NDArray[np.bool_]
    thickness_error: dict[str, float]
    rms: float
    p99: float
    solved: bool


def read_for_page(setup: Setup, program: Path) -> TimedProgram:
    """Read and time a program, with pressure lag if the program compensates for it."""
    effects = Effects(lag=setup.feeds.lead == "on", by_material=True)
    return read_and_time(program, setup.machine, setup.material, effects=effects)


def compare_with_plan(planned: Planned, text: TimedProgram, panel: int | None = None) -> PanelComparison:
    """Replay one panel, and compare its predicted picture with the planned one.

    Parameters
    ----------
    planned : Planned
        If its wall was solved for a picture (``aim = "picture"``), the target picture is computed again from
        the source.
    text : TimedProgram
        Result of `read_for_page`.
    panel : int, optional
        Number of the panel, from 1, if there are several.

    Returns
    -------
    PanelComparison
        The prediction includes nozzle smear, pressure lag (if the program compensates it) and the material's
        spread of light.
    """
    setup, found = planned.setup, replay_panel(text, Stated(panel=panel))
    view, pixel = planned.panel.view, found.panel.frame.pixel
    deposited, planned_wall = match_sizes(found.deposited, planned.panel.thickness)
    thickness = deposited.upright(len(planned_wall))
    error = thickness_error(thickness, planned_wall, ends=ENDS, pixel=pixel)
    toned = _tone_wall(planned)
    ideal = planned_wall if toned is None else match_sizes(found.deposited, toned)[1]
    target = clip_to_white(optics.backlit(ideal, optics.law(setup.material.light), found.white))
    volume = np.asarray(smear(deposited.volume, setup.machine.hot_end.nozzle_diameter, pixel), np.float64)
    smeared = replace(deposited, volume=volume).upright(len(planned_wall))
    predicted = clip_to_white(found.backlight(smeared))
    wall = planned_wall > 0
    inner = inside_ends(planned_wall, ENDS, pixel) & wall
    inner = inner if inner.any() else wall
    difference = np.where(wall, lightness(predicted) - lightness(target), 0.0)
    counted = difference[inner]
    return PanelComparison(
        found, thickness=view.upright(thickness), target=view.upright(target),
        predicted=view.upright(predicted), difference=view.upright(difference), wall=view.upright(wall),
        inner=view.upright(inner), thickness_error=error, rms=float(np.sqrt(np.mean(counted**2))),
        p99=float(np.percentile(np.abs(counted), 99)), solved=toned is not None,
    )  # fmt: skip


def clip_to_white(luminance: NDArray[np.floating]) -> Floats:
    """Clip luminance to the range from black (0) to the picture's white (1)."""
    return np.clip(np.asarray(luminance, np.float64), 0.0, 1.0)


def _tone_wall(planned: Planned) -> Floats | None:
    """Return the wall as it was before blur compensation; None without compensation."""
    setup, source = planned.setup, planned.made_of
    if setup.light.aim != "picture" or source is None:
        return None
    plain = setup.changed(aim="tone", dither="off", slope="free")
    panel, _ = to_panel(read_source(source, plain, plain.light.pixel), plain)
    return planned.panel.view.standing(panel.view.upright(panel.thickness))


@dataclass(frozen=True, slots=True)
class PageImages:
    """Pictures of a panel as PNG data URLs, with the colours and limits of their scales."""

    target: str
    predicted: str
    difference: str
    thickness: str
    difference_colours: tuple[str, ...]
    difference_end: float
    thickness_colours: tuple[str, ...]
    thickness_ends: tuple[float, float]


def draw_images(judged: PanelComparison, largest: int) -> PageImages:
    """Draw the pictures of a panel, with at most `largest` dots on the longer side."""
    rows, cols = judged.wall.shape
    times = min(1.0, largest / max(rows, cols))
    high, wide = max(1, round(rows * times)), max(1, round(cols * times))

    def fit(values: Floats) -> Floats:
        return values if times == 1.0 else np.asarray(area_mean(values, high, wide), np.float64)

    wall = fit(judged.wall.astype(np.float64)) >= 0.5
    deposited, counted = fit(judged.thickness), judged.thickness[judged.inner]
    low, thick = float(counted.min()), max(float(counted.max()), float(counted.min()) + 0.05)
    reach = round_up(max(judged.p99, 0.5))
    error = fit(judged.difference) / (2 * reach) + 0.5
    return PageImages(
        target=_grey(fit(judged.target), wall), predicted=_grey(fit(judged.predicted), wall),
        difference=_coloured(error, wall, ERROR_COLOURS, ERROR_SHADES),
        thickness=_coloured((deposited - low) / (thick - low), wall, THICKNESS_COLOURS, 255),
        difference_colours=_shades(ERROR_COLOURS, ERROR_SHADES), difference_end=reach,
        thickness_colours=_shades(THICKNESS_COLOURS, 48), thickness_ends=(low, thick),
    )  # fmt: skip


def _grey(luminance: Floats, wall: NDArray[np.bool_]) -> str:
    return _png(np.maximum(np.rint(255 * encode_srgb(luminance)), 1), wall)


def _coloured(share: Floats, wall: NDArray[np.bool_], colours: Colormap, shades: int) -> str:
    table = np.zeros((256, 3), np.uint8)
    table[1 : shades + 1] = colours((np.arange(shades) + 0.5) / shades, bytes=True)[:, :3]
    return _png(1 + np.clip(share * shades, 0, shades - 1), wall, table)


def _png(codes: Floats, wall: NDArray[np.bool_], table: NDArray[np.uint8] | None = None) -> str:
    """Encode grey levels or indices of a colour table as PNG that is transparent outside the wall."""
    image, buffer = Image.fromarray(np.where(wall, codes, 0).astype(np.uint8)), BytesIO()
    if table is not None:
        image = image.convert("P")
        image.putpalette(table.tobytes())
    image.save(buffer, "PNG", transparency=0, optimize=False, compress_level=7)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def _shades(colours: Colormap, number: int) -> tuple[str, ...]:
    return tuple(to_hex(colours((i + 0.5) / number)) for i in range(number))


@dataclass(frozen=True, slots=True, eq=False)
class PrintRates:
    """Layer times and melt rates of a program.

    Attributes
    ----------
    layer_seconds : (L,) float64
        Time of each layer, s.
    z : (B + 1,) float64
        Limits of bands of height, mm.
    band_seconds : (3, B) float64
        Time in each band for the wall, for brim and supports, and without deposit, s.
    hours : (T,) float64
        Time since the first move, h.
    mean, peak : (T,) float64
        Mean and highest melt rate during deposits, mm³/s.
    """

    layer_seconds: Floats
    z: Floats
    band_seconds: Floats
    hours: Floats
    mean: Floats
    peak: Floats


def measure_rates(found: PanelReplay) -> PrintRates:
    """Compute the durations and the melt rates of a program's layers."""
    tops, moves = np.nan_to_num(found.program.tops), found.program.moves
    total = len(tops)
    seconds, made, volume, peak = np.zeros((3, total)), np.zeros(total), np.zeros(total), np.zeros(total)
    group = np.full(len(Kind), GROUPS.index("dry"))
    group[[Kind.WALL, Kind.HAIRPIN]] = GROUPS.index("wall")
    group[list(BESIDE)] = GROUPS.index("beside")
    for piece in split_layers(moves):
        part = moves.rows(piece)
        part = replace(part, feed=np.where(part.feed > 0, part.feed, found.machine.travel_feed))
        plan = plan_speeds(part, found.machine, limit_feed(part, found.machine))
        melt = measure_melt_rate(part, plan, found.panel.filament_diameter)
        layer, deposits = part.layer, melt.deposit
        cell = group[part.kind] * total + layer
        seconds += np.bincount(cell, plan.time, 3 * total).reshape(3, total)
        made += np.bincount(layer[deposits], plan.time[deposits], total)
        volume += np.bincount(layer[deposits], (melt.mean * plan.time)[deposits], total)
        np.maximum.at(peak, layer[deposits], melt.peak[deposits])
    each = seconds.sum(axis=0)
    # Layers are grouped, so that a curve has no more points than are visible.
    step = -(-total // TIMES)
    starts = np.arange(0, total, step)
    time, amount = np.add.reduceat(made, starts), np.add.reduceat(volume, starts)
    borders = np.linspace(0.0, float(tops.max()), min(BANDS, total) + 1)
    band = np.clip(np.searchsorted(borders, tops - 1e-9) - 1, 0, len(borders) - 2)
    bands = np.stack([np.bincount(band, row, len(borders) - 1).astype(np.float64) for row in seconds])
    hours = np.cumsum(np.add.reduceat(each, starts)) / 3600
    mean = np.divide(amount, time, out=np.zeros(len(time)), where=time > 0)
    return PrintRates(each, borders, bands, hours, mean, np.maximum.reduceat(peak, starts))


def bead_shares(counts: NDArray[np.int8]) -> list[tuple[int, float]]:
    """Compute the fraction of the wall's length for each number of beads side by side.

    Parameters
    ----------
    counts : (layers, columns) int8
        Planned bead counts; 0 for no wall.

    Returns
    -------
    list of (int, float)
        Number of beads and share; shares add up to 1. Empty for no wall.
    """
    found = np.bincount(counts[counts > 0].astype(np.intp))
    total = int(found.sum())
    return [(int(n), float(found[n] / total)) for n in np.flatnonzero(found)] if total else []


def file_digest(program: Path) -> tuple[int, str]:
    """Return the size of a program in bytes and its SHA-256 (FIPS 180-4)."""
    with open(program, "rb") as handle:
        return program.stat().st_size, hashlib.file_digest(handle, "sha256").hexdigest()
