"""Proof: what a program will build, worked out from its text alone."""

from pathgen.proof.deposit_map import DepositMap, deposit, inside_ends, thickness_error, top_first
from pathgen.proof.frame import Frame, fact

__all__ = ["DepositMap", "Frame", "deposit", "fact", "inside_ends", "thickness_error", "top_first"]
