"""Build the thickness map of a panel, and compute its overhangs and its steadiness."""

from pathgen.panel.bend import Bend, check_bend
from pathgen.panel.build import Panel, add_rim, chamfer, cut_out, stand_on_edge
from pathgen.panel.view import View

__all__ = ["Bend", "Panel", "View", "chamfer", "check_bend", "cut_out", "add_rim", "stand_on_edge"]
