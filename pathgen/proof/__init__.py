"""Proof: what a program will build, worked out from its text alone."""

from pathgen.proof.frame import Frame, fact
from pathgen.proof.replay import DepositMap, deposit, inside_ends, thickness_error, top_first

__all__ = ["DepositMap", "Frame", "deposit", "fact", "inside_ends", "thickness_error", "top_first"]
