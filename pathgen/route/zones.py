"""Keep-out zones as shapes: areas without panels and travels.

Glossary. *Closed area*: an area that the centre of the nozzle must not enter at a given height: a zone with
clearance for the nozzle, and everything outside the build volume, so that no detour around a zone leaves the
volume.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pathgen.settings import Machine
from pathgen.settings.machine import KeepOut

NEAR = 1.0  # clearance of travels from a zone beyond half the nozzle diameter, mm; a nozzle tip is wider
PASSAGE = 1.0  # additional clearance of printed parts, which leaves a passage for travels, mm
OVER = 1.0  # minimum height of the nozzle above a zone of known height, mm
HAIR = 1e-6  # mm
BEYOND = 1000.0  # width of the closed area around the build volume, mm


def zone_outline(zone: KeepOut, room: float = 0.0) -> shapely.Polygon:
    """Return the area of a zone in plan view, machine coordinates, extended by `room` mm."""
    return shapely.box(zone.x[0] - room, zone.y[0] - room, zone.x[1] + room, zone.y[1] + room)


def nozzle_clearance(machine: Machine) -> float:
    """Return the minimum distance between a zone and the centre of the nozzle, mm."""
    return machine.hot_end.nozzle_diameter / 2 + NEAR


def part_clearance(machine: Machine) -> float:
    """Return the minimum distance between a zone and printed parts, mm."""
    return nozzle_clearance(machine) + PASSAGE


def reserved_area(machine: Machine) -> BaseGeometry:
    """Return the union of all zones with clearance for parts; empty if the machine has none."""
    room = part_clearance(machine)
    return shapely.union_all(np.array([zone_outline(zone, room) for zone in machine.keep_out], object))


def zone_height(zone: KeepOut) -> float:
    """Return the height below which a zone obstructs the nozzle, mm; infinite if unknown."""
    return math.inf if zone.height is None else zone.height + OVER


def closed_areas(machine: Machine, z: float) -> list[shapely.Polygon]:
    """Return the areas that the nozzle's centre must not enter at a given height.

    Parameters
    ----------
    machine : Machine
    z : float
        Height above the platform, mm.

    Returns
    -------
    list of shapely.Polygon
        Disjoint areas, machine mm. Empty if no zone is in the way.

    Examples
    --------
    >>> from msgspec.structs import replace
    >>> from pathgen.settings import load_machine
    >>> clip = KeepOut((90.0, 110.0), (0.0, 9.0), "clip", height=4.0)
    >>> machine = replace(load_machine("moving-table"), keep_out=(clip,))
    >>> [shape.area > 1e6 for shape in closed_areas(machine, 3.0)], closed_areas(machine, 5.0)
    ([True], [])
    """
    zones = [zone for zone in machine.keep_out if z < zone_height(zone)]
    if not zones:
        return []
    volume = shapely.box(machine.volume.x[0], machine.volume.y[0], machine.volume.x[1], machine.volume.y[1])
    outside = volume.buffer(BEYOND, join_style="mitre").difference(volume)
    room = nozzle_clearance(machine)
    whole = shapely.union_all(np.array([outside, *(zone_outline(zone, room) for zone in zones)], object))
    return [part for part in shapely.get_parts(whole).tolist() if part.geom_type == "Polygon"]


def join_areas(areas: Sequence[shapely.Polygon]) -> BaseGeometry:
    """Return the interior of the closed areas; travels may touch the borders."""
    return shapely.union_all(np.array(areas, object)).buffer(-HAIR)
