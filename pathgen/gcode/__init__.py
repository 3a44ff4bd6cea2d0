"""Write moves as G-code in the dialect of a machine, and read programs back to moves."""

from pathgen.gcode.write import ProgramWriter

__all__ = ["ProgramWriter"]
