"""From strokes to moves with speeds and times."""

from pathgen.motion.assemble import Heights, assemble, filament_area
from pathgen.motion.moves import DEPOSITS, Kind, Moves, concatenate
from pathgen.motion.opening import approach, home, start_line
from pathgen.motion.record import MovesRecorder, Recorded, read_moves
from pathgen.motion.speed import Plan, limit_feed, plan_speeds
from pathgen.motion.tally import Tally, mass, tally

__all__ = [
    "DEPOSITS",
    "Heights",
    "Kind",
    "Moves",
    "MovesRecorder",
    "Plan",
    "Recorded",
    "Tally",
    "approach",
    "assemble",
    "concatenate",
    "filament_area",
    "home",
    "limit_feed",
    "mass",
    "plan_speeds",
    "read_moves",
    "start_line",
    "tally",
]
