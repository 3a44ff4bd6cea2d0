"""Place panels on the platform, and order their strokes and travels."""

from pathgen.route.placement import Footprint, Placement, place, place_rotated
from pathgen.route.stroke_order import order_strokes

__all__ = ["Footprint", "Placement", "order_strokes", "place", "place_rotated"]
