"""Replay and checks of a written program: deposits, comparison with the target, and the checklist."""

from pathgen.proof.deposit_map import DepositMap, deposit, inside_ends, thickness_error, top_first
from pathgen.proof.frame import Frame

__all__ = ["DepositMap", "Frame", "deposit", "inside_ends", "thickness_error", "top_first"]
