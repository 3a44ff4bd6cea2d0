"""Header of a program, and the totals added after the last move."""

from __future__ import annotations

from dataclasses import replace

from pathgen.plan.model import Planned, Platform
from pathgen.program.summary import Summary, format_duration
from pathgen.proof.header import Header, Totals, number_key
from pathgen.settings import Setup, digest
from pathgen.settings.job import Band


def list_header_facts(platform: Platform) -> list[tuple[str, str]]:
    """Return keys and texts of all facts known before the first move.

    The settled keys of the job stand under ``job KEY``. Facts of the second panel have ``2`` in their
    keys; of its job, only the keys that differ from those of the first panel are written.
    """
    panels, several = platform.panels, len(platform.panels) > 1
    first = _job_texts(panels[0].setup)
    lines = [*_header(panels[0], several).lines(), *_job_lines(first)]
    if several:
        lines.append(("panels", str(len(panels))))
    for number, planned in enumerate(panels[1:], start=2):
        header = replace(_header(planned, several), machine=None, material=None, filament_diameter=None)
        own = {key: text for key, text in _job_texts(planned.setup).items() if first.get(key) != text}
        lines += [(number_key(key, number), text) for key, text in (*header.lines(), *_job_lines(own))]
    return lines


def _header(planned: Planned, several: bool) -> Header:
    place, machine = planned.placement, planned.setup.machine
    header = Header(
        settings=digest(planned.setup),
        picture=planned.source,
        machine=machine.name,
        material=planned.setup.material.name,
        width=planned.panel.width,
        height=float(planned.layers.top[-1]),
        layers=len(planned.layers),
        rotation=place.rotation,
        x0=place.x0,
        y0=place.y0,
        roll=planned.panel.view.roll or None,
        filament_diameter=machine.hot_end.filament_diameter,
    )
    if several:  # filament that is fed outside this box belongs to a neighbour
        (low_u, high_u), (low_n, high_n) = planned.plan_box
        header = replace(header, low_u=low_u, high_u=high_u, low_n=low_n, high_n=high_n)
    return header


def _job_texts(setup: Setup) -> dict[str, str]:
    """Return the job keys that have a value, with values as text."""
    values = {key: value for key, value in setup.keys().items() if key not in ("machine", "material")}
    return {key: _text(value) for key, value in values.items() if value not in (None, ())}


def _job_lines(texts: dict[str, str]) -> list[tuple[str, str]]:
    return [(f"job {key}", text) for key, text in texts.items()]


def _text(value: object) -> str:
    if isinstance(value, Band):
        values = ((key, getattr(value, key)) for key in value.__struct_fields__)
        return ",".join(f"{key}={each:g}" for key, each in values if each is not None)
    if isinstance(value, tuple):  # without brackets, which would end some comments
        return (" " if isinstance(value[0], Band) else ",").join(map(_text, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def format_totals(summary: Summary) -> Totals:
    """Return the facts known only after the last move."""
    s, boxes = summary, {"deposit": summary.deposit, "reach": summary.reach}
    spans = {
        f"{name}_{axis}": f"{getattr(box, f'{axis}_min'):.3f} to {getattr(box, f'{axis}_max'):.3f} mm"
        for name, box in boxes.items()
        for axis in "xyz"
    }
    return Totals(
        moves=f"{s.moves}",
        time=f"{s.times.time_s} s ({format_duration(s.times.time_s)})",
        filament=f"{s.filament_m} m",
        mass=f"{s.mass_g} g",
        **spans,
    )
