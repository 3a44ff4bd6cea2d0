"""A quay on a foggy morning: travelling cranes, a barque at her berth, still water."""

from __future__ import annotations

import numpy as np
from PIL import Image

from scenes.quayside import MEN, foreground
from scenes.rigging import QUAY, barque, crane
from scenes.tools import (
    Array,
    Mask,
    blur,
    develop,
    fractal,
    grid,
    mix,
    noise,
    ripples,
    sample,
    shrink,
    smoothstep,
)
from scenes.view import Rig, View

SIZE = 1200, 900
FINE = 2
FOCAL = 1.0  # of the width
HORIZON = 0.63  # of the height
EYE = 4.3  # m above the water
KERB = -1.4  # where the quay's edge runs, m
SUN = 0.115, 0.085  # right of the view and over the horizon, as shares of the focal length
FOG = 70.0  # m after which a third of the light is left


def draw(scale: float = 1.0) -> Image.Image:
    """Draw the picture; `scale` under 1 gives a quick small one."""
    width, height = (round(side * scale) * FINE for side in SIZE)
    x, y = grid(width, height)
    right, up = (x - width / 2) / (FOCAL * width), (HORIZON * height - y) / (FOCAL * width)
    air = fog(right, np.maximum(up, 0))
    backdrop = town(air + sun(right, up), air, view_from(width, height, EYE))
    mirrored = standing(backdrop, air, x, y, up, -EYE)
    light = np.where(up < 0, water(mirrored, x, right, -up), backdrop)
    light = standing(quay(light, x, right, up), air, x, y, up, EYE)
    light = foreground(light, air, view_from(width, height, EYE))
    return develop(shrink(light, FINE), 23, exposure=1.25, black=0.012, contrast=1.15, glow=0.10, edge=0.6)


def fog(right: Array, up: Array) -> Array:
    """Give the fog's own light: bright about the sun, paler bands, dull at the edges."""
    off = np.hypot(right - SUN[0], (up - SUN[1]) * 1.15)
    drift = fractal(31, right * 3.2, up * 8.5, octaves=6, gain=0.55)
    bank = fractal(41, right * 1.4 + 0.3 * drift, up * 5.0, octaves=4)
    veil = 0.10 + 0.60 * np.exp(-off / 0.15) + 0.26 * np.exp(-off / 0.42)
    return veil * (1 + 0.30 * drift + 0.34 * bank) * (1 - 0.30 * smoothstep(0.15, 0.6, up))


def sun(right: Array, up: Array) -> Array:
    """Give the sun's disc, which only what stands in its way can hide."""
    return 2.2 * smoothstep(0.0215, 0.0175, np.hypot(right - SUN[0], (up - SUN[1]) * 1.15))


NEAREST = crane(-8.2, 50, 0.83, 0.14, 8.5)


def view_from(width: int, height: int, eye: float) -> View:
    """Set up the camera."""
    return View(width, height, eye, FOCAL, HORIZON)


def standing(light: Array, air: Array, x: Array, y: Array, up: Array, eye: float) -> Array:
    """Ship and cranes, far ones first, on what is behind them; from under water when `eye` is below 0."""
    height, width = x.shape
    view = view_from(width, height, eye)
    right = (x - width / 2) / view.focal
    things = [
        (barque(), 0.012, 92),
        (crane(-8.0, 168, 0.8, 0.2, 8), 0.02, 168),
        (crane(-8.0, 104, 1.02, 0.5, 11), 0.016, 104),
        (NEAREST, 0.008, 50),
    ]
    for rig, grey, away in things:
        through = np.exp(-max(away - 40, 0) / FOG)
        cover = np.maximum(view.bars(rig.bars), view.faces(rig.faces))
        # Light that wraps round the bars from the sun's side.
        rim = np.clip(cover - sample(cover, x + 1.2 * FINE, y - 0.7 * FINE), 0, 1)
        body = grey + 0.22 * rim * air
        light = mix(light, mix(air * 0.97, body, through), cover)
        if away < 60:
            light = mix(light, 0.75 * air, panes(view))
        light = rising_fog(light, air, right, up, away)
    if eye < 0:
        wall = view.faces([[(KERB, QUAY, 2.0), (KERB, QUAY, 400), (KERB, 0, 400), (KERB, 0, 2.0)]])
        near = smoothstep(40, 200, abs(KERB) / np.maximum(np.abs(right), 1e-3))
        light = mix(light, 0.012 + 0.25 * air * near, wall)
    return light


def panes(view: View) -> Array:
    """Draw the windows of the nearest crane's cab and machine house, the sky behind them."""
    glass = Rig(tuple(NEAREST.foot), 0.14)
    for first, last, low, high in (
        *((0.85, 1.35, 1.35, 2.5), (1.45, 1.95, 1.35, 2.5)),
        *((-3.3, -2.6, 1.5, 2.3), (-2.4, -1.7, 1.5, 2.3), (-0.9, -0.2, 0.5, 2.3)),
    ):
        wall = -1.12 if first > 0 else -1.52
        glass.face((first, low, wall), (last, low, wall), (last, high, wall), (first, high, wall))
    return view.faces(glass.faces)


def rising_fog(light: Array, air: Array, right: Array, up: Array, away: float) -> Array:
    """Steam over the water, thicker low down."""
    wisp = fractal(211 + int(away), right * 6, up * 17, octaves=5)
    foot = -EYE / away
    thick = 0.46 * smoothstep(0.075, -0.03, up + 0.035 * wisp) * smoothstep(30, 150, np.float32(away))
    thick = thick * smoothstep(foot - 0.01, foot + 0.02, up)
    return mix(light, air * (1.0 + 0.12 * wisp), thick)


def town(light: Array, air: Array, view: View) -> Array:
    """Draw the other bank: roofs, chimneys, a spire, hardly there."""
    rng = np.random.default_rng(7)
    for away, tall, keep in ((520, 17, 0.10), (330, 13, 0.22)):
        mask = Mask(view.width, view.height, 2)
        at = -0.52 * away
        while at < 0.55 * away:
            wide, high = rng.uniform(9, 26), tall * rng.uniform(0.5, 1.15)
            ridge = high + rng.uniform(1, 4)
            outline = [(at, 0), (at, high), (at + wide / 2, ridge), (at + wide, high), (at + wide, 0)]
            mask.polygon([view.at(a, b, away) for a, b in outline])
            if rng.random() < 0.3:
                stack, top = at + wide * rng.uniform(0.2, 0.8), ridge + rng.uniform(6, 22)
                mask.polygon(
                    [
                        view.at(a, b, away)
                        for a, b in (
                            (stack - 1.3, 0),
                            (stack - 0.8, top),
                            (stack + 0.8, top),
                            (stack + 1.3, 0),
                        )
                    ]
                )
            at += wide * rng.uniform(0.7, 1.25)
        if away == 520:
            spire = ((-63, 0), (-63, 24), (-59.5, 58), (-56, 24), (-56, 0))
            mask.polygon([view.at(a, b, away) for a, b in spire])
        light = mix(light, air * (1 - keep), mask.array())
    return light


def water(mirrored: Array, x: Array, right: Array, down: Array) -> Array:
    """Draw the harbour's water: nearly a mirror, broken by slow ripples."""
    height, width = x.shape
    focal, horizon = FOCAL * width, HORIZON * height
    z = np.minimum(EYE / np.maximum(down, 1e-4), 1500).astype(np.float32)
    u = right * z
    tilt_x, tilt_z = ripples(u, z, z * z / (EYE * focal), wind=1.2, seed=301, steep=0.0105)
    calm = smoothstep(-0.35, 0.4, noise(311, u / 11, z / 34) + 0.4 * noise(312, u / 3, z / 9))
    tilt_x, tilt_z = tilt_x * (0.25 + calm), tilt_z * (0.25 + calm)
    rise = np.sqrt((down + 1.9 * tilt_z) ** 2 + 0.004**2)
    seen = sample(mirrored, x + focal * 0.9 * tilt_x, horizon - focal * rise)
    soft = sample(blur(mirrored, width / 300, width / 60), x + focal * 0.9 * tilt_x, horizon - focal * rise)
    seen = mix(seen, soft, 0.35 + 0.3 * calm)
    facing = np.clip(down + tilt_z, 0.01, 1)
    return mix(0.006, np.minimum(seen, 1.6), 0.06 + 0.94 * (1 - facing) ** 2.8)


def quay(light: Array, x: Array, right: Array, up: Array) -> Array:
    """Draw the quay: wet setts, a kerb of long stones, crane rails, shadows that fall toward the viewer."""
    height, width = x.shape
    view = view_from(width, height, EYE)
    z = np.minimum((EYE - QUAY) / np.maximum(-up, 1e-4), 900).astype(np.float32)
    u = right * z
    on = (up < 0) & (u < KERB)
    row = (u + 0.035 * noise(402, u * 3, z * 2.1) + 0.05 * noise(404, u / 2, z / 3)) / 0.24
    along = (
        (z + 0.04 * noise(403, u * 2.7, z * 3.3)) / 0.17
        + 0.5 * (np.floor(row) % 2)
        + noise(405, np.floor(row) * 5.1, z * 0)
    )
    stone = noise(401, np.floor(row) * 7.7, np.floor(along) * 3.1)
    inside = np.minimum(np.abs(row % 1 - 0.5), np.abs(along % 1 - 0.5))
    dome = smoothstep(0.5, 0.22, np.maximum(np.abs(row % 1 - 0.5), np.abs(along % 1 - 0.5)))
    near = smoothstep(55, 12, z)
    wet = smoothstep(-0.25, 0.45, fractal(411, u / 2.1, z / 4.5, octaves=5))
    toward = np.exp(-(((right - SUN[0]) / 0.30) ** 2))
    mirror = fog(right, np.maximum(-up, 0) + 0.03)
    tone = mix(0.5 + 0.28 * stone, dome, 0.0) * mix(1.0, 0.25 + 0.9 * dome, near)
    slope = mix(1.0, 0.55 + 0.9 * (inside + 0.4 * (row % 1)), near)
    dry = (0.05 + 0.13 * toward) * tone * slope
    shine = (
        mirror
        * mix(0.20, 0.75, wet)
        * mix(1.0, 0.30 + 0.85 * dome * (0.7 + 0.5 * stone), near * (1 - 0.55 * wet))
    )
    top = dry + 0.62 * shine
    kerb = u > KERB - 0.55
    joint = smoothstep(0.03, 0.008, np.abs(z / 1.6 % 1 - 0.5) * 0.4) * near
    top = np.where(
        kerb,
        (0.16 + 0.5 * mirror * toward)
        * (0.9 + 0.25 * fractal(421, u * 6, z * 3, octaves=4))
        * (1 - 0.8 * joint),
        top,
    )
    for rail in (-12.6, -3.8):
        gauge = np.abs(u - rail)
        top = mix(top, 0.01, smoothstep(0.13, 0.09, gauge) * near)
        top = mix(top, 0.25 + 0.9 * mirror, smoothstep(0.055, 0.035, gauge))
    top = top * (1 - 0.80 * shadows(view))
    through = np.exp(-np.maximum(z - 8, 0) / FOG)
    top = mix(fog(right, np.maximum(up, 0)), top, through)
    light = np.where(on, top, light)
    wall = view.faces([[(KERB, QUAY, 1.0), (KERB, QUAY, 500), (KERB, 0, 500), (KERB, 0, 1.0)]])
    wall_z = KERB / np.minimum(right, -1e-4)
    wall_y = EYE + up * wall_z
    course = noise(
        431, np.floor(wall_z / 1.3 + 0.5 * (np.floor(wall_y / 0.45) % 2)) * 5.3, np.floor(wall_y / 0.45) * 9.1
    )
    weed = smoothstep(0.9, 0.1, wall_y + 0.3 * noise(441, wall_z, wall_y))
    face = 0.035 * (0.8 + 0.4 * course) * (1 - 0.7 * weed)
    face = mix(fog(right, np.maximum(up, 0)), face, np.exp(-np.maximum(wall_z - 8, 0) / FOG))
    return mix(light, face, wall * (right < 0) * (~on))


def shadows(view: View) -> Array:
    """Shade of the nearest crane and the men, thrown along the quay by the low sun."""
    run = 1 / (SUN[1] * 1.9)
    mask = Mask(view.width, view.height, 2)

    def down(point: tuple[float, float, float]) -> tuple[float, float, float]:
        tall = point[1] - QUAY
        return point[0] - SUN[0] * run * tall, QUAY, point[2] - run * tall

    for a, b, thick in NEAREST.bars:
        p, q = np.array(down(a)), np.array(down(b))
        for i in range(12):
            first, last = p + (q - p) * i / 12, p + (q - p) * (i + 1) / 12
            if min(first[2], last[2]) > 2.5:
                wide = view.focal * thick * 2 / (first[2] + last[2])
                mask.line([view.at(*first), view.at(*last)], wide)
    for x, z, tall in MEN:
        first, last = down((x, QUAY, z)), down((x, QUAY + tall, z))
        if last[2] > 1.5:
            mask.polygon(
                [
                    view.at(first[0] - 0.16, QUAY, first[2]),
                    view.at(first[0] + 0.16, QUAY, first[2]),
                    view.at(last[0] + 0.14, QUAY, last[2]),
                    view.at(last[0] - 0.14, QUAY, last[2]),
                ]
            )
    return blur(mask.array(), 1.1 * FINE, 0.6 * FINE)
