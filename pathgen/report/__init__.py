"""Figures and pages for the person at the machine."""

from pathgen.report.preview import preview

__all__ = ["preview"]
