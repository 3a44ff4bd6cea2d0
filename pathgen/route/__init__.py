"""From strokes to their place and order on the platform."""

from pathgen.route.order import order_strokes
from pathgen.route.place import Footprint, Placement, place, place_turned

__all__ = ["Footprint", "Placement", "order_strokes", "place", "place_turned"]
