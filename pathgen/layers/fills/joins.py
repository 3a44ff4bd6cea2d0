"""Join the beads of a layer into a few long strokes.

Glossary. *Run*: consecutive columns with the same number of beads. *Strand*: one bead of one run; the strands
of a run are numbered from the back of the wall (0) to its front face. *Extra*: a strand without a partner in
the next run. Adjacent extras are joined by a *hairpin*; a single one is a *loose end*, at which a stroke
begins or ends.

The runs are scanned from left to right, and every boundary chooses its extras. The choice never closes a loop
(a loop is a separate stroke and needs a travel), keeps hairpins and loose ends off the front face, keeps
strokes long, and shifts continuing strands as little as possible. A layer of one run becomes one serpentine.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from itertools import product

FREE = -1
UNIT = 0.1  # unit of the lengths below, mm
SHORT = 16  # a stroke shorter than 1.6 mm does not justify its travel
LONG = 99  # longer lengths need not be distinguished


@dataclass(frozen=True, slots=True)
class JoinedStrands:
    """Strands in the order of printing.

    Attributes
    ----------
    strand : tuple of int
        Strand numbers, counted over the layer's runs from left to right and from back to front.
    backward : tuple of bool
        True if the strand is printed from right to left.
    head : tuple of bool
        True if a stroke starts with this strand.
    """

    strand: tuple[int, ...]
    backward: tuple[bool, ...]
    head: tuple[bool, ...]


@dataclass(slots=True)
class _Front:
    """Right-hand ends of the unfinished paths, from back to front."""

    strand: list[int] = field(default_factory=list)
    mate: list[int] = field(default_factory=list)  # index in the front of the path's other end, or FREE
    length: list[int] = field(default_factory=list)  # of each path, in units


@lru_cache(maxsize=4096)
def join_strands(
    beads: tuple[int, ...], length: tuple[int, ...], straight: bool = False, ring: bool = False
) -> JoinedStrands:
    """Join the strands of one layer into strokes.

    Parameters
    ----------
    beads : tuple of int
        Number of beads in each run, left to right; 0 is a gap in the wall.
    length : tuple of int
        Length of each run in units of 0.1 mm. Values may be capped at `LONG`.
    straight : bool
        If True, strands keep their number from run to run, as for beads without slides; the extras are then
        the strands nearest to the face.
    ring : bool
        If True, the first and the last strand of a bead meet at the seam, where strokes begin or end without
        hairpins.

    Returns
    -------
    JoinedStrands
        Every strand once. Empty if there are no beads.

    Examples
    --------
    >>> join_strands((3,), (99,)).backward
    (False, True, False)
    >>> sum(join_strands((2, 4, 2), (99, 99, 99)).head)
    1
    """
    total = sum(beads)
    left, right = [FREE] * total, [FREE] * total
    front, first = _Front(), 0
    if ring and beads and beads[0]:
        front, first = _Front(list(range(beads[0])), [FREE] * beads[0], [length[0]] * beads[0]), beads[0]
        beads, length = beads[1:], length[1:]
    end = () if ring else (0,)  # the strands at the end of a ring stay loose, as at its start
    for count, run in zip(beads + end, length + end, strict=True):
        here = list(range(first, first + count))
        extend = _grow if count >= len(front.strand) else _shrink
        front = extend(front, here, left, right, straight)
        front.length = [n + run for n in front.length]
        first += count
    return _trace(left, right)


def _grow(front: _Front, here: list[int], left: list[int], right: list[int], straight: bool) -> _Front:
    """Extend the paths into a run with as many beads or more, and join pairs of new strands by hairpins."""
    old, new = len(front.strand), len(here)
    extra = new - old
    # Extras in the middle shift the continuing strands least; the front strand, if any, must continue.
    below = old if straight else old // 2
    where = [*range(below), *range(below + extra, new)]
    mate, length = [FREE] * new, [0] * new
    for i, j in enumerate(where):
        right[front.strand[i]], left[here[j]] = here[j], front.strand[i]
        mate[j] = FREE if front.mate[i] == FREE else where[front.mate[i]]
        length[j] = front.length[i]
    # An odd extra has its loose end at the back of its group, away from the face.
    for j in range(below + extra - 1, below, -2):
        left[here[j]], left[here[j - 1]] = here[j - 1], here[j]
        mate[j], mate[j - 1] = j - 1, j
    return _Front(here, mate, length)


def _shrink(front: _Front, here: list[int], left: list[int], right: list[int], straight: bool) -> _Front:
    """Extend the paths into a run with fewer beads, and join pairs of surplus strands by hairpins."""
    old, new = len(front.strand), len(here)
    extra = old - new
    below, ends = _choose_extras(front, new, range(new if straight else 0, new + 1))
    for mate in (front.mate[i] for i in ends):
        if mate != FREE:
            front.mate[mate] = FREE
    turned = [i for i in range(below, below + extra) if i not in ends]
    for i, j in zip(turned[::2], turned[1::2], strict=True):
        right[front.strand[i]], right[front.strand[j]] = front.strand[j], front.strand[i]
        _merge(front.mate, i, j)
    stay = [*range(below), *range(below + extra, old)]
    place = {i: j for j, i in enumerate(stay)}
    for i, strand in zip(stay, here, strict=True):
        right[front.strand[i]], left[strand] = strand, front.strand[i]
    mates = [place.get(front.mate[i], FREE) for i in stay]
    return _Front(here, mates, [front.length[i] for i in stay])


def _choose_extras(front: _Front, new: int, places: range) -> tuple[int, list[int]]:
    """Choose the strands that end; return the first index of their group, and the loose ends.

    The weights ensure that a worse fault is never traded for a lesser one. In descending order: a hairpin or
    end on the front face, a stroke that is too short, a loose end, a shift of the continuing strands.
    """
    old = len(front.strand)
    extra = old - new
    choices = []
    for below, skip in product(places, (0, 1) if extra % 2 or not new else (0,)):
        ends = list(range(below, below + skip))
        ends += _pair(list(front.mate), range(below + skip, below + extra))
        too_short = sum(front.mate[i] == FREE and front.length[i] < SHORT for i in ends)
        at_face = new > 0 and below + extra == old
        cost = 50.0 * at_face + 20.0 * too_short + 4.0 * len(ends) + abs(below - new / 2)
        choices.append((cost, below, ends))
    return min(choices, key=lambda choice: choice[0])[1:]


def _pair(mate: list[int], group: range) -> list[int]:
    """Pair neighbours without closing a loop, and return the unpaired ends; changes `mate`."""
    ends, i = [], group.start
    while i < group.stop:
        if i + 1 < group.stop and mate[i] != i + 1:
            _merge(mate, i, i + 1)
            i += 2
        else:
            ends.append(i)
            i += 1
    return ends


def _merge(mate: list[int], i: int, j: int) -> None:
    """Join two open ends, and record the opposite ends of their paths as a pair."""
    a, b = mate[i], mate[j]
    if a != FREE:
        mate[a] = b
    if b != FREE:
        mate[b] = a


def _trace(left: list[int], right: list[int]) -> JoinedStrands:
    """Follow every path from one loose end to the other."""
    strand: list[int] = []
    backward: list[bool] = []
    head: list[bool] = []
    visited = [False] * len(left)
    starts = [(s, False) for s, other in enumerate(left) if other == FREE]
    starts += [(s, True) for s, other in enumerate(right) if other == FREE]
    for start, back in sorted(starts):
        at, is_head = start, True
        while at != FREE and not visited[at]:
            visited[at] = True
            strand.append(at)
            backward.append(back)
            head.append(is_head)
            is_head = False
            onward = left[at] if back else right[at]
            # A hairpin leaves on the side on which it was entered: the partner's link there points back.
            if onward != FREE and (left if back else right)[onward] == at:
                back = not back
            at = onward
    return JoinedStrands(tuple(strand), tuple(backward), tuple(head))
