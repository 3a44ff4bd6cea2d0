"""Convert strokes to moves, and compute their speeds and times."""

from pathgen.motion.assemble import assemble, filament_area
from pathgen.motion.bands import LayerSpans, banded
from pathgen.motion.clock import TimeByCause
from pathgen.motion.lag import held_volume, lagged_moves, lagged_volume, lead_filament, split_moves
from pathgen.motion.moves import DEPOSITS, Kind, Moves, concatenate
from pathgen.motion.opening import approach_moves, cross_to_next_panel, home_position, start_line
from pathgen.motion.pace import fastest_feed, pace_factor
from pathgen.motion.record import MovesRecorder, RecordedMoves, read_moves
from pathgen.motion.speed import SpeedPlan, limit_feed, plan_speeds
from pathgen.motion.supply import Supply
from pathgen.motion.tally import Tally, mass, sum_moves

__all__ = [
    "DEPOSITS", "Kind", "LayerSpans", "Moves", "MovesRecorder", "RecordedMoves", "SpeedPlan", "Supply",
    "Tally", "TimeByCause", "approach_moves", "assemble", "banded", "concatenate", "cross_to_next_panel",
    "fastest_feed", "filament_area", "held_volume", "home_position", "lagged_moves", "lagged_volume",
    "lead_filament", "limit_feed", "mass", "pace_factor", "plan_speeds", "read_moves", "split_moves",
    "start_line", "sum_moves",
]  # fmt: skip
