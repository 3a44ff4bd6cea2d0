"""Machine, Material, Job: what is made, of what, on what. Typed, frozen, read from TOML."""

from pathgen.settings.blocks import BLOCK_PLACEHOLDERS, PLACEHOLDERS
from pathgen.settings.job import Job
from pathgen.settings.loading import (
    Setup,
    digest,
    job_from,
    load_job,
    load_machine,
    load_material,
    machine_names,
    material_names,
    profile_text,
    settle,
)
from pathgen.settings.machine import Axes, Axis, Dialect, Machine
from pathgen.settings.material import Exponential, Law, Material, Table, TwoFlux, Viewing
from pathgen.settings.panels import Entry, load_panels

__all__ = [
    "BLOCK_PLACEHOLDERS",
    "PLACEHOLDERS",
    "Axes",
    "Axis",
    "Dialect",
    "Entry",
    "Exponential",
    "Job",
    "Law",
    "Machine",
    "Material",
    "Setup",
    "Table",
    "TwoFlux",
    "Viewing",
    "digest",
    "job_from",
    "load_job",
    "load_machine",
    "load_material",
    "load_panels",
    "machine_names",
    "material_names",
    "profile_text",
    "settle",
]
