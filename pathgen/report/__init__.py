"""Figures and HTML reports for the person at the machine."""

from pathgen.report.from_result import preview

__all__ = ["preview"]
