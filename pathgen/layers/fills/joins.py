"""How the beads of a layer's runs become few, long strokes.

Glossary. *Run*: consecutive columns with the same number of beads. *Strand*: one bead of one run; strands
of a run are numbered from the back of the wall (0) to its front face. *Extra*: a strand with no partner in
the next run. Extras that lie side by side are joined by a *turn*; one that is left over is a *loose end*,
where a stroke begins or ends.

Scanning the runs from left to right, every boundary chooses which strands are extra. The choice never
closes a loop (a loop is a stroke of its own and a travel to it), keeps turns and loose ends off the front
face, keeps strokes long, and moves the strands that go on as little as it can. A layer with one run becomes
one serpentine.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

FREE = -1
UNIT = 0.1  # mm, of the lengths below
SHORT = 16  # a stroke shorter than 1.6 mm is not worth its travel
LONG = 99  # lengths from here on are all the same to us


@dataclass(frozen=True, slots=True)
class JoinedStrands:
    """Strands in the order the head passes them.

    Attributes
    ----------
    strand : tuple of int
        Strand numbers, counted over the layer's runs from left to right and from back to front.
    backward : tuple of bool
        The strand is passed from right to left.
    head : tuple of bool
        A stroke starts with this strand.
    """

    strand: tuple[int, ...]
    backward: tuple[bool, ...]
    head: tuple[bool, ...]


@dataclass(slots=True)
class _Front:
    """Open right-hand ends of the paths so far, from back to front."""

    strand: list[int] = field(default_factory=list)
    mate: list[int] = field(default_factory=list)  # place in the front of the path's other end, or FREE
    length: list[int] = field(default_factory=list)  # so far, in units


@lru_cache(maxsize=4096)
def join(
    beads: tuple[int, ...], length: tuple[int, ...], straight: bool = False, ring: bool = False
) -> JoinedStrands:
    """Join the strands of one layer into strokes.

    Parameters
    ----------
    beads : tuple of int
        Number of beads in each run, left to right; 0 is a gap in the wall.
    length : tuple of int
        Length of each run in units of 0.1 mm. Only whether it is short matters, so callers may cap it at
        `LONG`.
    straight : bool
        Strands keep their number from run to run, as beads that never slide must; extras are then the ones
        nearest the face, whatever that costs.
    ring : bool
        The first and the last strand of a bead meet at the seam: there nothing turns, every stroke begins or
        ends.

    Returns
    -------
    Joined
        Every strand once. Empty where there are no beads.

    Examples
    --------
    >>> join((3,), (99,)).backward
    (False, True, False)
    >>> sum(join((2, 4, 2), (99, 99, 99)).head)
    1
    """
    total = sum(beads)
    left, right = [FREE] * total, [FREE] * total
    front, first = _Front(), 0
    if ring and beads and beads[0]:
        front, first = _Front(list(range(beads[0])), [FREE] * beads[0], [length[0]] * beads[0]), beads[0]
        beads, length = beads[1:], length[1:]
    # What stands at the end of a ring stays loose, just as it began.
    after = ((), ()) if ring else ((0,), (0,))
    for count, run in zip(beads + after[0], length + after[1], strict=True):
        here = list(range(first, first + count))
        if count >= len(front.strand):
            front = _grow(front, here, left, right, straight)
        else:
            front = _shrink(front, here, left, right, straight)
        front.length = [n + run for n in front.length]
        first += count
    return _trace(left, right)


def _grow(front: _Front, here: list[int], left: list[int], right: list[int], straight: bool) -> _Front:
    """Go on into a run of at least as many beads; the extras are turned into one another in pairs."""
    old, new = len(front.strand), len(here)
    extra = new - old
    # In the middle the strands that go on move least; the front strand must go on when there is one.
    below = old if straight else old // 2
    where = [*range(below), *range(below + extra, new)]
    mate, length = [FREE] * new, [0] * new
    for i, j in enumerate(where):
        right[front.strand[i]], left[here[j]] = here[j], front.strand[i]
        mate[j] = FREE if front.mate[i] == FREE else where[front.mate[i]]
        length[j] = front.length[i]
    # An odd extra starts loose at the back end of its group, away from the face.
    for j in range(below + extra - 1, below, -2):
        left[here[j]], left[here[j - 1]] = here[j - 1], here[j]
        mate[j], mate[j - 1] = j - 1, j
    return _Front(here, mate, length)


def _shrink(front: _Front, here: list[int], left: list[int], right: list[int], straight: bool) -> _Front:
    """Go on into a run of fewer beads: the best group of extras ends here, turned into one another."""
    old, new = len(front.strand), len(here)
    extra = old - new
    below, ends = _choose_extras(front, new, range(new if straight else 0, new + 1))
    for i in ends:
        _end(front.mate, i)
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
    """Choose the group of strands that end: the first one's place, out of `places`, and the ones left loose.

    The faults are weighed so that a worse kind is never bought with a lesser one: a turn or
    end on the front face, a stroke too short, a loose end, a detour of the strands that go on.
    """
    old = len(front.strand)
    extra = old - new
    best: tuple[float, int, list[int]] | None = None
    for below in places:
        for skip in (0, 1):
            if skip and extra % 2 == 0 and new:
                continue
            ends = list(range(below, below + skip))
            ends += _pair(list(front.mate), range(below + skip, below + extra))
            too_short = sum(front.mate[i] == FREE and front.length[i] < SHORT for i in ends)
            at_face = new > 0 and below + extra == old
            cost = 50.0 * at_face + 20.0 * too_short + 4.0 * len(ends) + abs(below - new / 2)
            if best is None or cost < best[0]:
                best = cost, below, ends
    assert best is not None, "a boundary that loses strands has at least one group to end"
    return best[1:]


def _pair(mate: list[int], group: range) -> list[int]:
    """Pair neighbours of a group without closing a loop; give the ones left over. Changes `mate`."""
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
    """Join two open ends: their other ends become each other's mates."""
    a, b = mate[i], mate[j]
    if a != FREE:
        mate[a] = b
    if b != FREE:
        mate[b] = a


def _end(mate: list[int], i: int) -> None:
    """Leave an open end loose for good."""
    if mate[i] != FREE:
        mate[mate[i]] = FREE


def _trace(left: list[int], right: list[int]) -> JoinedStrands:
    """Follow every path from a loose end to the other."""
    strand: list[int] = []
    backward: list[bool] = []
    head: list[bool] = []
    seen = [False] * len(left)
    starts = [(s, False) for s, other in enumerate(left) if other == FREE]
    starts += [(s, True) for s, other in enumerate(right) if other == FREE]
    for start, back in sorted(starts):
        at, is_head = start, True
        while at != FREE and not seen[at]:
            seen[at] = True
            strand.append(at)
            backward.append(back)
            head.append(is_head)
            is_head = False
            onward = left[at] if back else right[at]
            # A turn comes out on the side it went in: the partner's link there points back at us.
            if onward != FREE and (left if back else right)[onward] == at:
                back = not back
            at = onward
    return JoinedStrands(tuple(strand), tuple(backward), tuple(head))
