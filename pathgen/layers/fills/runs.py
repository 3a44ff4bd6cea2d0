"""Divide layers into runs: intervals along u with a constant number of beads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.layers.fills.breakpoints import breakpoints, cumulated_area, node_thickness
from pathgen.layers.strokes import BeadPlan, Floats, Ints, Profiles

Bools = NDArray[np.bool_]

SLIDE = 0.5  # length of a slide relative to the nominal spacing; longer slides leave more gaps


@dataclass(frozen=True, slots=True)
class LayerRuns:
    """Runs of a block of layers, ordered by layer, then from left to right.

    Attributes
    ----------
    thickness : (L, C) float64
        Wall thickness of each column, mm.
    area, node : (L, C + 1) float64
        Cumulated section area, mm², and thickness, mm, at the borders between columns (the nodes).
    keep : (L, C + 1) bool
        Nodes at which segments begin and end.
    pixel : float
        Width of a column, mm.
    layer, lo, hi, beads : (R,) intp
        Layer of each run in the block, its first and last node, its number of beads.
    left_end, right_end : (R,) bool
        True if the wall ends with this run.
    inset_left, inset_right : (R,) float64
        Distance of strokes from the end of the wall, mm: half a bead.
    blend : (R,) intp
        Number of columns over which strands slide to their place in the neighbouring run.
    dry_hairpins : bool
        If True, hairpins deposit nothing; the strands before and after deposit the end of the wall.
    ring : bool
        True if the two ends of the wall join.
    """

    thickness: Floats
    area: Floats
    node: Floats
    keep: Bools
    pixel: float
    layer: Ints
    lo: Ints
    hi: Ints
    beads: Ints
    left_end: Bools
    right_end: Bools
    inset_left: Floats
    inset_right: Floats
    blend: Ints
    dry_hairpins: bool = False
    ring: bool = False

    def area_at(self, corner: Ints, depth: Floats) -> Floats:
        """Return the cumulated area at `depth` mm to the right of each run's corner node, mm², (R,)."""
        at = corner + depth / self.pixel
        cell = np.clip(np.floor(at).astype(np.intp), 0, self.thickness.shape[1] - 1)
        inside = (at - cell) * self.pixel * self.thickness[self.layer, cell]
        return self.area[self.layer, cell] + inside


def find_runs(
    profiles: Profiles, counts: NDArray[np.int8], plan: BeadPlan, *, straight: bool = False
) -> LayerRuns:
    """Find the runs of a block of layers.

    Parameters
    ----------
    profiles : Profiles
    counts : (L, C) int8
        Beads in each column; a run consists of consecutive columns with the same number.
    plan : BeadPlan
        `spacing` determines the length of slides, `tolerance` the breakpoints.
    straight : bool
        If True, beads do not follow the thickness of the wall, and only the ends of runs are breakpoints.

    Returns
    -------
    LayerRuns
    """
    area = cumulated_area(profiles.thickness, profiles.pixel)
    node = node_thickness(profiles.thickness)
    if plan.ring:
        node[:, 0] = node[:, -1] = (node[:, 0] + node[:, -1]) / 2
    columns = counts.shape[1]
    layer, at = np.nonzero(np.diff(counts, axis=1, prepend=-1, append=-1))
    first = at < columns
    lo, layer = at[first], layer[first]
    hi = at[np.flatnonzero(first) + 1]
    beads = counts[layer, lo].astype(np.intp)
    before, after = np.zeros_like(beads), np.zeros_like(beads)
    before[1:], after[:-1] = beads[:-1], beads[1:]
    left_end = (lo == 0) & (not plan.ring) | (before == 0) & (lo > 0)
    right_end = (hi == columns) & (not plan.ring) | (after == 0) & (hi < columns)
    length = hi - lo
    slide = max(1, round(SLIDE * plan.spacing / profiles.pixel))
    per_bead = 0.5 / np.maximum(beads, 1)
    room = length * profiles.pixel / 6  # in a short wall, the two ends must not overlap
    keep = np.zeros(node.shape, bool) if straight else breakpoints(area, node, profiles.pixel, plan.tolerance)
    if plan.longest:
        keep[:, :: max(1, int(plan.longest / profiles.pixel))] = True
    wall = LayerRuns(
        profiles.thickness, area, node, keep, profiles.pixel, layer, lo, hi, beads, left_end, right_end,
        inset_left=np.minimum(profiles.thickness[layer, lo] * per_bead, room),
        inset_right=np.minimum(profiles.thickness[layer, hi - 1] * per_bead, room),
        blend=np.clip(length // 2, 1, slide),
        dry_hairpins=plan.hairpins == "dry",
        ring=plan.ring,
    )  # fmt: skip
    _keep_run_nodes(wall)
    return wall


def _keep_run_nodes(wall: LayerRuns) -> None:
    """Mark the nodes that must be kept: those at the ends of runs and of slides."""
    keep = wall.keep
    for node in (wall.lo, wall.hi, wall.lo + wall.blend, wall.hi - wall.blend):
        keep[wall.layer, node] = True
    # The correction at an end of the wall extends over three insets.
    for reach in (1, 3):
        left = wall.lo + np.ceil(reach * wall.inset_left / wall.pixel).astype(np.intp)
        right = wall.hi - np.ceil(reach * wall.inset_right / wall.pixel).astype(np.intp)
        keep[wall.layer[wall.left_end], left[wall.left_end]] = True
        keep[wall.layer[wall.right_end], right[wall.right_end]] = True
