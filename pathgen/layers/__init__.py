"""Cut a panel into layers, fill the layers, and add a brim and supports."""

from pathgen.layers.bent import bend_strokes
from pathgen.layers.brim import brim_loops
from pathgen.layers.fills import fill_names, find_fill
from pathgen.layers.sections import Layers, cut_layers
from pathgen.layers.strokes import BeadPlan, Profiles, Strokes

__all__ = [
    "BeadPlan", "Layers", "Profiles", "Strokes",
    "bend_strokes", "brim_loops", "cut_layers", "fill_names", "find_fill",
]  # fmt: skip
