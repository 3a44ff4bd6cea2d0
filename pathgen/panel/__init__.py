"""The solid that is made, as a thickness map: picture, rim, size."""

from pathgen.panel.build import Panel, frame

__all__ = ["Panel", "frame"]
