"""Figures and pages for the person at the machine."""

from pathgen.report.result import preview

__all__ = ["preview"]
