"""Sampled layers of a written program, encoded compactly for the report.

Glossary. *Segment*: one move of the head, as viewed from above, in plan coordinates (u to the viewer's right,
n toward the viewer). *Code*: type of a segment, one byte: `SKIP`, `DRY`, `BRIM` or `SUPPORT`; codes from
`FIRST` are beads of the wall, in steps of their spacing.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from matplotlib.colors import to_hex
from numpy.typing import NDArray

from pathgen.motion import Kind, filament_area
from pathgen.proof.frame import Frame
from pathgen.proof.panel_replay import PanelReplay
from pathgen.report.layer_samples import SPACING_COLOURS

Floats = NDArray[np.float64]

SKIP, DRY, BRIM, SUPPORT, FIRST = 0, 1, 2, 3, 4
WIDEST = 40  # steps of spacing up to the upper end of the scale; the same number lies beyond it
SHADES = 2 * WIDEST
MAX_LAYERS, MIN_LAYERS = 40, 6
MAX_SEGMENTS = 300_000  # in all sampled layers; 5 bytes each, encoded as 7 characters
APRON = 1.0  # mm around the deposits
TALLEST = 0.24  # maximum height per width of a drawing whose thickness direction is enlarged
NARROWED = 0.9  # share of the bead spacing that is drawn, so that neighbours can be distinguished
DRAWN_WIDE = 720  # user units of a layer drawn for paper


@dataclass(frozen=True, slots=True, eq=False)
class LayerSegments:
    """Line segments of one layer, for drawing.

    Attributes
    ----------
    number : int
        Layer number in the panel, from 0.
    z, height : float
        Top and height of the layer, mm.
    points : (N + 1, 2) float64
        End points of the segments, (u, n), mm; the first one is the start of the layer.
    codes : (N,) uint8
    spacing : (N,) float64
        Bead spacing, mm; 0 without deposit.
    """

    number: int
    z: float
    height: float
    points: Floats
    codes: NDArray[np.uint8]
    spacing: Floats

    @property
    def length(self) -> Floats:
        """Length of each segment, mm."""
        return np.asarray(np.hypot(*np.diff(self.points, axis=0).T))


@dataclass(frozen=True, slots=True, eq=False)
class LayerSet:
    """Sampled layers of one panel, with their common view and colour scale.

    Attributes
    ----------
    layers : tuple of LayerSegments
        Bottom layer first.
    spacing : (float, float)
        Limits of the colour scale, mm.
    boxes : ((u low, n low, u high, n high), …)
        Area to show of the first layer, which has the brim, and of the others, mm.
    middle : (M, 2) float64
        Centreline of the wall, which the enlarged view follows, mm.
    window : (float, float)
        Width and height of the enlarged view, mm.
    """

    layers: tuple[LayerSegments, ...]
    spacing: tuple[float, float]
    boxes: tuple[tuple[float, float, float, float], ...]
    middle: Floats
    window: tuple[float, float]

    @property
    def enlarged(self) -> tuple[float, ...]:
        """Factor by which the drawing enlarges the wall's thickness, per box; 1 for a bent wall."""
        return tuple(
            max(1.0, min(12.0, TALLEST * (right - left) / (front - back)))
            for left, back, right, front in self.boxes
        )


def spacing_colours() -> list[str]:
    """Return the colours of the spacing scale, from narrow to wide; perceptually uniform."""
    return [to_hex(SPACING_COLOURS((i + 0.5) / 32)) for i in range(32)]


def spacing_shades(spacing: tuple[float, float]) -> list[tuple[float, str]]:
    """Return the spacing and the colour of each step of the scale.

    Examples
    --------
    >>> steps = spacing_shades((0.2, 0.6))
    >>> len(steps), round(steps[0][0], 4), steps[0][1] == steps[12][1], steps[40][1] == steps[-1][1]
    (80, 0.0075, True, True)
    """
    (low, high), last = spacing, 255
    middles = (np.arange(SHADES) + 0.5) * high / WIDEST
    places = np.clip(np.rint((middles - low) / (high - low) * last), 0, last).astype(int)
    return [(float(p), to_hex(SPACING_COLOURS(int(at)))) for p, at in zip(middles, places, strict=True)]


def pack_layers(
    found: PanelReplay, spacing: tuple[float, float], begun: int = 0, maximum: int = MAX_SEGMENTS
) -> LayerSet:
    """Extract evenly spaced layers of a replayed panel, including the first and the last.

    Parameters
    ----------
    found : PanelReplay
        Segments of other panels are excluded.
    spacing : (float, float)
        Limits of the colour scale, mm: the spacing limits of the job.
    begun : int, optional
        Number of layers in the program before the panel's first one; not 0 for panels built in turn.
    maximum : int, optional
        Approximate maximum number of segments.

    Returns
    -------
    LayerSet
    """
    frame, moves = found.panel.frame, found.program.moves
    total = len(frame.tops)
    own = slice(*np.searchsorted(moves.layer, (begun, begun + total)).tolist())
    each = max(1.0, float(np.count_nonzero(frame.holds(moves.x[own], moves.y[own]))) / total)
    count = min(int(np.clip(maximum / each, MIN_LAYERS, MAX_LAYERS)), total)
    numbers = np.unique(np.round(np.linspace(0, total - 1, count)).astype(int))
    layers = [_segments(found, int(number), begun) for number in numbers]
    for layer in layers:
        wall = layer.codes >= FIRST
        step = np.clip(layer.spacing[wall] / spacing[1] * WIDEST, 0, SHADES - 1)
        layer.codes[wall] = FIRST + step.astype(np.uint8)
    boxes = tuple(_box(some, frame) for some in (layers[:1], layers[1:] or layers))
    middle, thickest = _middle(found)
    tall = max(5.0, 1.2 * thickest)
    return LayerSet(tuple(layers), spacing, boxes, middle, (3.2 * tall, tall))


def _segments(found: PanelReplay, number: int, begun: int) -> LayerSegments:
    """Extract the segments of one layer of the panel, without stationary moves and the start line."""
    frame, moves = found.panel.frame, found.program.moves
    first, last = (int(np.searchsorted(moves.layer, begun + number, side)) for side in ("left", "right"))
    part = moves.rows(slice(first, last))
    kind = part.kind.astype(np.intp)
    fed = np.isin(kind, (Kind.WALL, Kind.HAIRPIN, Kind.BRIM, Kind.WEDGE, Kind.COMB)) & (part.filament > 0)
    x, y = np.append(part.start[0], part.x), np.append(part.start[1], part.y)
    points = np.stack(frame.plan(x, y), axis=1)
    length = np.hypot(*np.diff(points, axis=0).T)
    codes = np.full(len(part), DRY, np.uint8)
    codes[fed & np.isin(kind, (Kind.WALL, Kind.HAIRPIN))] = FIRST
    codes[fed & (kind == Kind.BRIM)] = BRIM
    codes[fed & np.isin(kind, (Kind.WEDGE, Kind.COMB))] = SUPPORT
    inside = frame.holds(x, y)
    codes[(kind == Kind.START) | ~(inside[:-1] & inside[1:])] = SKIP
    codes[: int(np.argmax(fed)) if fed.any() else 0] = SKIP  # moves to the start of the layer
    packing = np.broadcast_to(found.panel.packing, len(frame.tops))[number]
    height, spacing = float(frame.heights[number]), np.zeros(len(part))
    volume = part.filament * filament_area(found.panel.filament_diameter)
    np.divide(volume, packing * height * length, out=spacing, where=(length > 0) & (codes > DRY))
    moved = length > 0
    points, codes, spacing = np.concatenate([points[:1], points[1:][moved]]), codes[moved], spacing[moved]
    # Of consecutive skipped segments, only the end of the last one is kept: the next stroke starts there.
    skipped = codes == SKIP
    kept = ~(skipped & np.append(skipped[1:], True))
    first = int(np.argmax(~skipped)) if not skipped.all() else 0
    kept[:first] = False
    start = points[first : first + 1]
    points = np.concatenate([start, points[1:][kept]])
    return LayerSegments(number, float(frame.tops[number]), height, points, codes[kept], spacing[kept])


def _box(layers: list[LayerSegments], frame: Frame) -> tuple[float, float, float, float]:
    """Return the bounding box of all deposits, with a margin."""
    ends = [np.concatenate([s.points[:-1][s.codes > DRY], s.points[1:][s.codes > DRY]]) for s in layers]
    points = np.concatenate([*ends, np.zeros((0, 2))])
    if not len(points):
        return 0.0, 0.0, frame.width, 1.0
    (left, back), (right, front) = points.min(axis=0) - APRON, points.max(axis=0) + APRON
    return float(left), float(back), float(right), float(front)


def _middle(found: PanelReplay) -> tuple[Floats, float]:
    """Return the centreline of the wall, and its maximum thickness, mm."""
    frame = found.panel.frame
    wall = found.deposited.thickness[found.deposited.thickness > 0]
    # A percentile, as columns at hairpins hold more than the thickness of the wall.
    thickest = float(np.percentile(wall, 99)) if wall.size else 1.0
    u = np.linspace(0.0, frame.width, 2 if frame.bend is None else 181)
    n = np.full(len(u), thickest / 2)
    return np.stack((u, n) if frame.bend is None else frame.bend.to_plan(u, n), axis=1), thickest


def encode_layers(sampled: LayerSet) -> dict[str, object]:
    """Encode layers for the report's script, with integer arrays as base64.

    Returns
    -------
    dict
        For JSON. `points` holds u and n alternately as little-endian uint16, in units of `step` mm from
        `origin`; `codes` holds one byte per point: the type of the segment that ends there, `SKIP` for the
        first point of a layer.
    """
    every = np.concatenate([layer.points for layer in sampled.layers])
    origin = every.min(axis=0)
    step = max(0.002, float((every.max(axis=0) - origin).max()) / 65535)
    whole = np.round((every - origin) / step).astype("<u2")
    codes = np.concatenate([np.append(np.uint8(SKIP), layer.codes) for layer in sampled.layers])
    return {
        "step": round(step, 9),
        "origin": [round(float(v), 6) for v in origin],
        "points": _text(whole),
        "codes": _text(codes.astype(np.uint8)),
        "counts": [len(layer.points) for layer in sampled.layers],
        "shades": [[round(p, 4), colour] for p, colour in spacing_shades(sampled.spacing)],
        "boxes": [[round(v, 3) for v in box] for box in sampled.boxes],
        "enlarged": [round(v, 2) for v in sampled.enlarged],
        "middle": sampled.middle.round(3).tolist(),
        "window": [round(v, 3) for v in sampled.window],
        "beside": [round(_width(sampled, code), 3) for code in (BRIM, SUPPORT)],
        "narrowed": NARROWED,
        "first": FIRST,
    }


def _text(values: NDArray[np.generic]) -> str:
    return base64.b64encode(np.ascontiguousarray(values).tobytes()).decode("ascii")


def draw_layer_svg(sampled: LayerSet, index: int, name: str, words: str) -> Markup:
    """Draw one layer as SVG, for paper and for browsers without scripts.

    Parameters
    ----------
    sampled : LayerSet
    index : int
        Index of the sampled layer.
    name : str
        Id of the title, unique on the page.
    words : str
        Description of the layer.

    Returns
    -------
    Markup
        SVG. Supports are filled with the pattern ``#hatch`` of the page.
    """
    layer, which = sampled.layers[index], min(index, 1)
    left, back, right, front = sampled.boxes[which]
    across = DRAWN_WIDE / (right - left)
    up = across * sampled.enlarged[which]
    tones = spacing_shades(sampled.spacing)
    order = (BRIM, SUPPORT, *range(FIRST, FIRST + SHADES))
    outlines = {code: _outline(layer, code) for code in (*order, DRY) if (layer.codes == code).any()}
    beads = [(code, _width(sampled, code)) for code in order if code in outlines]
    # All edges are drawn first, so that no edge covers a neighbouring bead.
    line = Markup('<path stroke-width="{:.3f}" d="{}"/>')
    edges = Markup("").join(line.format(1.02 * wide, outlines[code]) for code, wide in beads)
    paths = [Markup('<g class="edge">{}</g>').format(edges)]
    for code, wide in beads:
        look = Markup('class="{}"').format({BRIM: "brim", SUPPORT: "support"}.get(code, "bead"))
        if code >= FIRST:
            look += Markup(' stroke="{}"').format(tones[code - FIRST][1])
        inner = Markup('<path {} stroke-width="{:.3f}" d="{}"/>')
        paths.append(inner.format(look, NARROWED * wide, outlines[code]))
    if DRY in outlines:
        paths.append(Markup('<path class="dry" d="{}"/>').format(outlines[DRY]))
    turn = f"matrix({across:.4f} 0 0 {up:.4f} {-left * across:.3f} {-back * up:.3f})"
    return Markup(
        '<svg class="layer" viewBox="0 0 {} {:.0f}" role="img" aria-labelledby="{}"><title id="{}">{}</title>'
        '<g transform="{}">{}</g></svg>'
    ).format(DRAWN_WIDE, up * (front - back), name, name, words, turn, Markup("").join(paths))


def _width(sampled: LayerSet, code: int) -> float:
    """Return the bead spacing, mm, at which all segments with one code are drawn."""
    if code >= FIRST:
        return spacing_shades(sampled.spacing)[code - FIRST][0]
    chosen = [(s.spacing[s.codes == code], s.length[s.codes == code]) for s in sampled.layers]
    spacing, length = (np.concatenate(parts) for parts in zip(*chosen, strict=True))
    return float(np.average(spacing, weights=length)) if length.sum() > 0 else sum(sampled.spacing) / 2


def _outline(layer: LayerSegments, code: int) -> str:
    """Return all segments that have the given code as SVG path data."""
    at = np.flatnonzero(layer.codes == code)
    begins = np.diff(at, prepend=-9) > 1
    values = np.concatenate([layer.points[at], layer.points[at + 1]], axis=1)
    used = np.ones(values.shape, bool)
    used[:, :2] = begins[:, None]  # other segments start at the end of the previous one
    form = np.where(begins, "M%.2f %.2fL%.2f %.2f", "L%.2f %.2f").tolist()
    return "".join(form) % tuple(values[used].tolist())
