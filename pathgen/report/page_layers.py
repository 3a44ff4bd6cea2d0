"""Sampled layers of a written program, packed small enough to stand inside a page.

Glossary. *Segment*: one move of the head, seen from above, in plan coordinates (u to the viewer's right, n
toward the viewer). *Code*: what a segment is, one byte: `SKIP`, `DRY`, `BRIM`, `SUPPORT`, or `FIRST` and up
for a bead of the wall, by its spacing's place on the scale.
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
from pathgen.proof.panel_replay import Replayed
from pathgen.report.layer_samples import SPACING_COLOURS

Floats = NDArray[np.float64]

SKIP, DRY, BRIM, SUPPORT, FIRST = 0, 1, 2, 3, 4
WIDEST = 40  # steps of spacing up to the scale's upper end; as many more lie beyond it
SHADES = 2 * WIDEST
MOST_LAYERS, LEAST_LAYERS = 40, 6
MOST_SEGMENTS = 300_000  # of all sampled layers: 5 bytes each, a third more as text
APRON = 1.0  # mm around what is laid
TALLEST = 0.24  # height over width that the thickness direction is drawn up to
ROUNDED = 1 - np.pi / 4  # of the layer height: what a bead's round flanks add to its spacing
NARROWED = 0.9  # of a spacing that a bead is drawn with, so that neighbours can be told apart
DRAWN_WIDE = 720  # user units of a layer drawn for paper


@dataclass(frozen=True, slots=True, eq=False)
class Segments:
    """One layer's segments.

    Attributes
    ----------
    number : int
        From 0, of the panel's layers.
    z, height : float
        Top and height of the layer, mm.
    points : (N + 1, 2) float64
        Where segments end, (u, n), mm; the first is where the layer begins.
    codes : (N,) uint8
    spacing : (N,) float64
        mm; 0 where nothing is deposited.
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
class Sampled:
    """Layers to look through.

    Attributes
    ----------
    layers : tuple of Segments
        Bottom first.
    spacing : (float, float)
        Ends of the colour scale, mm.
    boxes : ((u low, n low, u high, n high), …)
        What to show of the first layer, which has the brim, and of all others, mm.
    middle : (M, 2) float64
        A line along the wall, for a window to follow, mm.
    window : (float, float)
        Width and height of that window, mm.
    """

    layers: tuple[Segments, ...]
    spacing: tuple[float, float]
    boxes: tuple[tuple[float, float, float, float], ...]
    middle: Floats
    window: tuple[float, float]

    @property
    def enlarged(self) -> tuple[float, ...]:
        """How many times the thickness direction is drawn larger, for each box; 1 for a bent wall."""
        return tuple(
            max(1.0, min(12.0, TALLEST * (right - left) / (front - back)))
            for left, back, right, front in self.boxes
        )


def spacing_colours(number: int = 32) -> list[str]:
    """Give the spacing's colours, narrow to wide: a perceptual scale, without its darkest fifth."""
    return [to_hex(SPACING_COLOURS((i + 0.5) / number)) for i in range(number)]


def shades(spacing: tuple[float, float]) -> list[tuple[float, str]]:
    """Give spacing and colour of each step; beyond the scale's ends the colour stays, the spacing does not.

    Examples
    --------
    >>> steps = shades((0.2, 0.6))
    >>> len(steps), round(steps[0][0], 4), steps[0][1] == steps[12][1], steps[40][1] == steps[-1][1]
    (80, 0.0075, True, True)
    """
    (low, high), last = spacing, 255
    middles = (np.arange(SHADES) + 0.5) * high / WIDEST
    places = np.clip(np.rint((middles - low) / (high - low) * last), 0, last).astype(int)
    return [(float(p), to_hex(SPACING_COLOURS(int(at)))) for p, at in zip(middles, places, strict=True)]


def pack_layers(
    found: Replayed, spacing: tuple[float, float], begun: int = 0, most: int = MOST_SEGMENTS
) -> Sampled:
    """Take some layers out of a replayed program, evenly spaced, the first and the last among them.

    Parameters
    ----------
    found : Replayed
        Of several panels, only what belongs to the one replayed is kept.
    spacing : (float, float)
        Ends of the colour scale, mm: what the job allows a bead to be.
    begun : int, optional
        The program's layers before this panel's first one; more than 0 for panels made in turn.
    most : int, optional
        Segments in all.

    Returns
    -------
    Sampled
    """
    frame, moves = found.standing.frame, found.program.moves
    total = len(frame.tops)
    own = slice(*np.searchsorted(moves.layer, (begun, begun + total)).tolist())
    each = max(1.0, float(np.count_nonzero(frame.holds(moves.x[own], moves.y[own]))) / total)
    some = int(np.clip(most / each, LEAST_LAYERS, MOST_LAYERS))
    numbers = np.unique(np.round(np.linspace(0, total - 1, min(some, total))).astype(int))
    bare = [_segments(found, int(number), begun) for number in numbers]
    for layer in bare:
        wall = layer.codes >= FIRST
        step = np.clip(layer.spacing[wall] / spacing[1] * WIDEST, 0, SHADES - 1)
        layer.codes[wall] = FIRST + step.astype(np.uint8)
    others = bare[1:] or bare
    boxes = tuple(_box(some_layers, frame) for some_layers in (bare[:1], others))
    middle, thickest = _middle(found)
    tall = max(5.0, 1.2 * thickest)
    return Sampled(tuple(bare), spacing, boxes, middle, (3.2 * tall, tall))


def _segments(found: Replayed, number: int, begun: int) -> Segments:
    """Take one layer's moves; what stands still, the start line and neighbours are left out."""
    frame, moves = found.standing.frame, found.program.moves
    first, last = (int(np.searchsorted(moves.layer, begun + number, side)) for side in ("left", "right"))
    part = moves.rows(slice(first, last))
    kind = part.kind.astype(np.intp)
    laid = np.isin(kind, (Kind.WALL, Kind.HAIRPIN, Kind.BRIM, Kind.WEDGE, Kind.COMB)) & (part.filament > 0)
    x, y = np.append(part.start[0], part.x), np.append(part.start[1], part.y)
    points = np.stack(frame.plan(x, y), axis=1)
    length = np.hypot(*np.diff(points, axis=0).T)
    codes = np.full(len(part), DRY, np.uint8)
    codes[laid & np.isin(kind, (Kind.WALL, Kind.HAIRPIN))] = FIRST
    codes[laid & (kind == Kind.BRIM)] = BRIM
    codes[laid & np.isin(kind, (Kind.WEDGE, Kind.COMB))] = SUPPORT
    inside = frame.holds(x, y)
    codes[(kind == Kind.START) | ~(inside[:-1] & inside[1:])] = SKIP
    codes[: int(np.argmax(laid)) if laid.any() else 0] = SKIP  # the way to where the layer begins
    area, solid = filament_area(found.standing.filament_diameter), found.standing.packing
    share = float(solid[number]) if isinstance(solid, np.ndarray) else solid
    height, spacing = float(frame.heights[number]), np.zeros(len(part))
    np.divide(part.filament * area, share * height * length, out=spacing, where=(length > 0) & (codes > DRY))
    moved = length > 0
    points, codes, spacing = np.concatenate([points[:1], points[1:][moved]]), codes[moved], spacing[moved]
    # Of what is skipped only its end matters, where the next stroke begins: the rest is a neighbour's.
    skipped = codes == SKIP
    kept = ~(skipped & np.append(skipped[1:], True))
    first = int(np.argmax(~skipped)) if not skipped.all() else 0
    kept[:first] = False
    start = points[first : first + 1]
    points = np.concatenate([start, points[1:][kept]])
    return Segments(number, float(frame.tops[number]), height, points, codes[kept], spacing[kept])


def _box(layers: list[Segments], frame: Frame) -> tuple[float, float, float, float]:
    """Find what to show: all that is laid, and some room around it."""
    ends = [np.concatenate([s.points[:-1][s.codes > DRY], s.points[1:][s.codes > DRY]]) for s in layers]
    points = np.concatenate([*ends, np.zeros((0, 2))])
    if not len(points):
        return 0.0, 0.0, frame.width, 1.0
    (left, back), (right, front) = points.min(axis=0) - APRON, points.max(axis=0) + APRON
    return float(left), float(back), float(right), float(front)


def _middle(found: Replayed) -> tuple[Floats, float]:
    """Lay a line along the middle of the wall, and give the wall's thickest, mm."""
    frame = found.standing.frame
    wall = found.laid.thickness[found.laid.thickness > 0]
    # Where strokes end and turn, columns hold more than the wall is thick.
    thickest = float(np.percentile(wall, 99)) if wall.size else 1.0
    u = np.linspace(0.0, frame.width, 2 if frame.bend is None else 181)
    n = np.full(len(u), thickest / 2)
    return np.stack((u, n) if frame.bend is None else frame.bend.to_plan(u, n), axis=1), thickest


def packed(sampled: Sampled) -> dict[str, object]:
    """Pack layers for the page's script: columns of whole numbers as base64, the rest as plain values.

    Parameters
    ----------
    sampled : Sampled

    Returns
    -------
    dict
        For JSON. `points` holds u and n by turns, uint16, little-endian, counted in `step` mm from `origin`;
        `codes` one byte for each point: what the segment is that ends there (`SKIP` for a layer's first).
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
        "heights": [round(layer.height, 4) for layer in sampled.layers],
        "shades": [[round(p, 4), colour] for p, colour in shades(sampled.spacing)],
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


def drawn(sampled: Sampled, index: int, name: str, words: str) -> Markup:
    """Draw one layer for paper, where there is no script.

    Parameters
    ----------
    sampled : Sampled
    index : int
        Which of the sampled layers.
    name, words : str
        An id of its own, and what is seen, in words.

    Returns
    -------
    Markup
        SVG. The hatching of supports is the page's pattern ``#hatch``.
    """
    layer, which = sampled.layers[index], min(index, 1)
    left, back, right, front = sampled.boxes[which]
    across = DRAWN_WIDE / (right - left)
    up = across * sampled.enlarged[which]
    tones = shades(sampled.spacing)
    order = (BRIM, SUPPORT, *range(FIRST, FIRST + SHADES))
    outlines = {code: _outline(layer, code) for code in (*order, DRY) if (layer.codes == code).any()}
    laid = [(code, _width(sampled, code)) for code in order if code in outlines]
    # All edges first, then what is inside them, so that no edge lies over a neighbour.
    paths = [
        Markup('<path stroke-width="{:.3f}" d="{}"/>').format(1.02 * wide, outlines[code])
        for code, wide in laid
    ]
    paths = [Markup('<g class="edge">{}</g>').format(Markup("").join(paths))]
    for code, wide in laid:
        look = {BRIM: "brim", SUPPORT: "support"}.get(code, "bead")
        inner = Markup('<path class="{}" stroke-width="{:.3f}" d="{}"').format(
            look, NARROWED * wide, outlines[code]
        )
        paths.append(
            inner
            + (Markup(' stroke="{}"/>').format(tones[code - FIRST][1]) if code >= FIRST else Markup("/>"))
        )
    if DRY in outlines:
        paths.append(Markup('<path class="dry" d="{}"/>').format(outlines[DRY]))
    turn = f"matrix({across:.4f} 0 0 {up:.4f} {-left * across:.3f} {-back * up:.3f})"
    return Markup(
        '<svg class="layer" viewBox="0 0 {} {:.0f}" role="img" aria-labelledby="{}"><title id="{}">{}</title>'
        '<g transform="{}">{}</g></svg>'
    ).format(DRAWN_WIDE, up * (front - back), name, name, words, turn, Markup("").join(paths))


def _width(sampled: Sampled, code: int) -> float:
    """Spacing that a code is drawn with, mm: of the wall the middle of its shade, of others their mean."""
    if code >= FIRST:
        return shades(sampled.spacing)[code - FIRST][0]
    chosen = [(s.spacing[s.codes == code], s.length[s.codes == code]) for s in sampled.layers]
    spacing, length = (np.concatenate(parts) for parts in zip(*chosen, strict=True))
    return float(np.average(spacing, weights=length)) if length.sum() > 0 else sum(sampled.spacing) / 2


def _outline(layer: Segments, code: int) -> str:
    """Spell all segments of one code as the data of one path."""
    at = np.flatnonzero(layer.codes == code)
    begins = np.diff(at, prepend=-9) > 1
    values = np.concatenate([layer.points[at], layer.points[at + 1]], axis=1)
    told = np.ones(values.shape, bool)
    told[:, :2] = begins[:, None]  # a segment goes on where the one before it ended
    form = np.where(begins, "M%.2f %.2fL%.2f %.2f", "L%.2f %.2f").tolist()
    return "".join(form) % tuple(values[told].tolist())
