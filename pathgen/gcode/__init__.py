"""Program text: moves are written as G-code in a machine's dialect, and read back from it."""

from pathgen.gcode.write import ProgramWriter

__all__ = ["ProgramWriter"]
