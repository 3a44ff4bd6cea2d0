"""The solid that is made, as a thickness map: picture, rim, size."""

from pathgen.panel.bend import Bend, check_bend
from pathgen.panel.build import Panel, frame

__all__ = ["Bend", "Panel", "check_bend", "frame"]
