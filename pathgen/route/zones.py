"""Keep-out zones as shapes: where nothing may be placed, and where no way may lead.

Glossary. *Barred*: closed to the nozzle's middle, at a height: a zone with what the nozzle needs around it,
and everything beyond the build volume, so that no way round a zone leads out of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pathgen.settings import Machine
from pathgen.settings.machine import KeepOut

NEAR = 1.0  # mm beyond half the nozzle that ways keep from a zone: a nozzle is wider than its nozzle
PASSAGE = 1.0  # mm more that all that is made keeps from a zone, so that ways lead between the two
OVER = 1.0  # mm by which the nozzle has to be over a zone whose height is known
HAIR = 1e-6  # mm
BEYOND = 1000.0  # mm outside the build volume that count; more than any way could be


def zone_outline(zone: KeepOut, room: float = 0.0) -> shapely.Polygon:
    """Shape of a zone seen from above, machine mm, with some room around it."""
    return shapely.box(zone.x[0] - room, zone.y[0] - room, zone.x[1] + room, zone.y[1] + room)


def room_of_ways(machine: Machine) -> float:
    """Give the room between a zone and the nozzle's middle, mm."""
    return machine.hot_end.nozzle_diameter / 2 + NEAR


def room_beside(machine: Machine) -> float:
    """Give the room between a zone and all that is made, mm."""
    return room_of_ways(machine) + PASSAGE


def taken(machine: Machine) -> BaseGeometry:
    """Shape of all zones together, with room around them; empty where the machine has none."""
    room = room_beside(machine)
    return shapely.union_all(np.array([zone_outline(zone, room) for zone in machine.keep_out], object))


def zone_height(zone: KeepOut) -> float:
    """Height under which a zone is in the nozzle's way, mm over the platform; without bound if unknown."""
    return math.inf if zone.height is None else zone.height + OVER


def barred(machine: Machine, z: float) -> list[shapely.Polygon]:
    """Shapes that are closed to the nozzle's middle at a height, apart from each other.

    Parameters
    ----------
    machine : Machine
    z : float
        mm over the platform.

    Returns
    -------
    list of shapely.Polygon
        Machine mm. Empty where no zone is in the way.

    Examples
    --------
    >>> from msgspec.structs import replace
    >>> from pathgen.settings import load_machine
    >>> clip = KeepOut((90.0, 110.0), (0.0, 9.0), "clip", height=4.0)
    >>> machine = replace(load_machine("moving-table"), keep_out=(clip,))
    >>> [shape.area > 1e6 for shape in barred(machine, 3.0)], barred(machine, 5.0)
    ([True], [])
    """
    zones = [zone for zone in machine.keep_out if z < zone_height(zone)]
    if not zones:
        return []
    volume = shapely.box(machine.volume.x[0], machine.volume.y[0], machine.volume.x[1], machine.volume.y[1])
    outside = volume.buffer(BEYOND, join_style="mitre").difference(volume)
    room = room_of_ways(machine)
    whole = shapely.union_all(np.array([outside, *(zone_outline(zone, room) for zone in zones)], object))
    return [part for part in shapely.get_parts(whole).tolist() if part.geom_type == "Polygon"]


def closed(shapes: Sequence[shapely.Polygon]) -> BaseGeometry:
    """Join barred shapes to what no way may meet: not their borders, along which ways and home lie."""
    return shapely.union_all(np.array(shapes, object)).buffer(-HAIR)
