"""Proof: what a program will build, worked out from its text alone."""

from pathgen.proof.replay import DepositMap, Frame, deposit, thickness_error, top_first

__all__ = ["DepositMap", "Frame", "deposit", "thickness_error", "top_first"]
