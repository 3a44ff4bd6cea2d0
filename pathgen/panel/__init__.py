"""The solid that is made, as a thickness map: picture, rim, size."""

from pathgen.panel.bend import Bend, check_bend
from pathgen.panel.build import Panel, chamfer_top, frame

__all__ = ["Bend", "Panel", "chamfer_top", "check_bend", "frame"]
