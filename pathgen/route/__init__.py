"""From strokes to their place and order on the platform."""

from pathgen.route.placement import Footprint, Placement, place, place_turned
from pathgen.route.stroke_order import order_strokes

__all__ = ["Footprint", "Placement", "order_strokes", "place", "place_turned"]
