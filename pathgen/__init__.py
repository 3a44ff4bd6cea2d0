"""pathgen: make G-code for thin backlit relief panels from photographs, and check G-code files.

The names below are the public API. They are loaded when they are first used, so importing pathgen is quick.
`__version__` is the version of the installed package. Stages are logged to loggers named `pathgen.*`.
"""

from __future__ import annotations

import logging
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathgen.errors import PathgenError
    from pathgen.job import Planned, Platform, Result, make, make_several, plan_panel, plan_several, write
    from pathgen.proof.compare import PanelReplay, compare, replay
    from pathgen.report import preview
    from pathgen.settings import (
        Job,
        Machine,
        Material,
        load_job,
        load_machine,
        load_material,
        load_panels,
        machine_names,
        material_names,
    )

_HOME = {
    "errors": ["PathgenError"],
    "job": ["Planned", "Platform", "Result", "make", "make_several", "plan_panel", "plan_several", "write"],
    "proof.compare": ["PanelReplay", "compare", "replay"],
    "report": ["preview"],
    "settings": [
        "Job",
        "Machine",
        "Material",
        "load_job",
        "load_machine",
        "load_material",
        "load_panels",
        "machine_names",
        "material_names",
    ],
}
_ROOM = {name: room for room, names in _HOME.items() for name in names}

__all__ = [
    "Job",
    "Machine",
    "Material",
    "PathgenError",
    "Planned",
    "Platform",
    "PanelReplay",
    "Result",
    "compare",
    "load_job",
    "load_machine",
    "load_material",
    "load_panels",
    "machine_names",
    "make",
    "make_several",
    "material_names",
    "plan_panel",
    "plan_several",
    "preview",
    "replay",
    "write",
]


logging.getLogger(__name__).addHandler(logging.NullHandler())


def __getattr__(name: str) -> object:
    if name == "__version__":
        from pathgen.files.versions import package_version

        return package_version()
    if name not in _ROOM:
        raise AttributeError(f"module 'pathgen' has no attribute {name!r}")
    return getattr(import_module(f"pathgen.{_ROOM[name]}"), name)


def __dir__() -> list[str]:
    return __all__
