"""`pathgen fit`: a coupon's readings become figures of a machine or a material."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import click

from pathgen.cli.fit_text import law_json, law_lines
from pathgen.cli.output import say
from pathgen.coupons import all_coupons, find_coupon
from pathgen.coupons.definition import Coupon
from pathgen.coupons.fit_result import Outcome
from pathgen.coupons.measurement_sheet import csv_text, known_sheet, read_filled
from pathgen.coupons.profile_update import changed_text
from pathgen.coupons.shapes import plain_job
from pathgen.errors import printable
from pathgen.files.csv_rows import CsvRows
from pathgen.files.outputs import atomic_outputs, refuse_same
from pathgen.optics.law_fit import LAWS, fit_law
from pathgen.optics.material_file import material_name, material_text
from pathgen.optics.wedge import readings_of
from pathgen.optics.wedge_sheet import sheet_of
from pathgen.settings import (
    Setup,
    job_from,
    load_material,
    machine_names,
    material_names,
    profile_text,
    settle,
)

FILE = click.Path(path_type=Path)
FLOOR = click.FloatRange(0, 1e9, min_open=True)
WEDGE = "step-wedge"
CORNERS = "The coupon's corners in it, pixels: upper left, upper right, lower right, lower left."


@dataclass(frozen=True, slots=True)
class _Asked:
    """What a person wants of a sheet."""

    measured: Path
    base: str  # the profile to start from
    out: Path
    plot: Path | None
    as_json: bool
    streams: Mapping[Path, BinaryIO]
    notes: list[str]


@click.command("fit")
@click.argument("measured", type=FILE)
@click.option("--machine", help="Machine the print was made on: a shipped name or a .toml file.")
@click.option("--material", help="Material it was made of: a shipped name or a .toml file.")
@click.option("--out", type=FILE, required=True, help="Profile to write, for --machine or --material.")
@click.option("--plot", type=FILE, help="Write a PNG of the readings and what was fitted to them.")
@click.option(
    "--law", type=click.Choice(["auto", *LAWS]), default="auto", help="Step wedge: law to take. [auto]"
)
@click.option(
    "--floor", type=FLOOR, metavar="X", help="Step wedge: least reading the meter can tell from dark."
)
@click.option("--photo", type=FILE, help="Step wedge, resolution chart: take the readings from a photograph.")
@click.option("--corners", metavar="X,Y X,Y X,Y X,Y", help=CORNERS)
@click.option(
    "--blank", type=FILE, help="The same view without the coupon: what bare light is, place by place."
)
@click.option("--filled", type=FILE, help="Write the sheet as the photograph fills it (CSV).")
@click.option("--json", "as_json", is_flag=True, help="Print one flat JSON object instead of lines.")
def fit_command(
    measured: Path,
    machine: str | None,
    material: str | None,
    out: Path,
    plot: Path | None,
    law: str,
    floor: float | None,
    photo: Path | None,
    corners: str | None,
    blank: Path | None,
    filled: Path | None,
    as_json: bool,
) -> None:
    """Turn MEASURED, a coupon's filled sheet, into figures of a machine or a material.

    Which coupon's sheet it is, its columns say. A step wedge's may be made by hand; its first line names the
    columns and their units:

    \b
      thickness_mm    of the wedge's step; 0 for a reading without it
      reading_UNIT    what was read there; may stand more than once
      reference_UNIT  what was read without the wedge (optional)
      dark_UNIT       what was read without light (optional)

    UNIT is lux, cd/m2, linear (in proportion to light) or srgb (a photograph's code, 0 to 255). Four
    thicknesses are the least; ten, read five times each, tell the laws apart.
    """  # noqa: D301 - the mark that keeps a paragraph's lines has to be a real one
    if (photo is None) != (corners is None):
        raise click.UsageError("--photo and --corners go together")
    if photo is None and (blank or filled):
        raise click.UsageError("--blank and --filled go with --photo")
    targets = [path for path in (out, plot, filled) if path]
    inputs = [
        measured,
        *(Path(name) for name in (machine, material) if name),
        *(p for p in (photo, blank) if p),
    ]
    for path in targets:
        refuse_same(path, [*inputs, *(other for other in targets if other is not path)])
    found, rows = known_sheet(measured, all_coupons())
    notes: list[str] = []
    profile = "material" if found is None else found.profile
    base = material if profile == "material" else machine
    if base is None:
        what = f"a {found.name} changes a {profile}" if found else "a step wedge changes a material"
        raise click.UsageError(f"Missing option '--{profile}': {what}, and starts from one")
    with atomic_outputs(targets) as streams:
        setup = _setup(machine, material)
        if photo and corners:
            rows, notes = _photographed(found, rows, setup, photo, corners, blank)
        if filled:
            streams[filled].write(csv_text(rows).encode())
        asked = _Asked(measured, base, out, plot, as_json, streams, notes)
        if found is None or found.name == WEDGE:
            said = _law(asked, rows, law, floor)
        else:
            said = _figures(asked, found, rows, setup)
    say(said)


def _setup(machine: str | None, material: str | None) -> Setup:
    """Settle what a print was made with, as far as it was said."""
    said = {key: name for key, name in (("machine", machine), ("material", material)) if name}
    return settle(plain_job(job_from(said, "command line")))


def _photographed(
    found: Coupon | None, rows: CsvRows, setup: Setup, photo: Path, corners: str, blank: Path | None
) -> tuple[CsvRows, list[str]]:
    """Fill a sheet from a photograph."""
    from pathgen.coupons.photo import corners_from, filled_from, open_photo  # loads scikit-image

    found = found or find_coupon(WEDGE)
    thickness, job = found.build(setup).panels[0]
    high, wide = (side * job.pixel for side in thickness.shape)
    return filled_from(open_photo(photo, corners_from(corners), (wide, high), blank), found, rows)


def _law(asked: _Asked, rows: CsvRows, law: str, floor: float | None) -> str:
    """Fit a wedge's law, and say it."""
    before = load_material(asked.base)
    fit = fit_law(readings_of(sheet_of(rows), str(asked.measured), floor), law, before.light)
    name = material_name(asked.out.stem, material_names())
    text = material_text(_text(asked.base), fit, name, asked.measured.name)
    asked.streams[asked.out].write(text.encode())
    if asked.plot:
        from pathgen.report.residuals import residuals_png

        asked.streams[asked.plot].write(residuals_png(fit, printable(asked.measured.name)))
    if asked.as_json:
        return law_json(asked.measured, name, fit, before, asked.notes)
    return law_lines(asked.measured, asked.out, fit, before, asked.notes)


def _figures(asked: _Asked, found: Coupon, rows: CsvRows, setup: Setup) -> str:
    """Fit a coupon's figures, and say them."""
    assert found.fit is not None, "only the wedge has none"
    sheet = read_filled(found, rows)
    outcome = found.fit(sheet, setup)
    taken = machine_names() if found.profile == "machine" else material_names()
    name = material_name(asked.out.stem, taken)
    asked.streams[asked.out].write(changed_text(_text(asked.base), outcome, found, name).encode())
    if asked.plot:
        from pathgen.report.fit_figure import outcome_png

        asked.streams[asked.plot].write(
            outcome_png(outcome, f"{found.name}, {printable(asked.measured.name)}")
        )
    if asked.as_json:
        return _json(asked, found, name, outcome)
    lines = [f"{printable(str(asked.measured))}: {len(sheet.line)} readings of a {found.name}"]
    lines += [f"  {estimate}" for estimate in outcome.estimates]
    lines += [f"  this {found.profile}: {line}" for line in outcome.before_after]
    lines += [f"  note: {note}" for note in (*asked.notes, *outcome.notes)]
    return "\n".join([*lines, f"  written to {printable(str(asked.out))}"])


def _json(asked: _Asked, found: Coupon, name: str, outcome: Outcome) -> str:
    facts: dict[str, object] = {"measured": asked.measured.name, "coupon": found.name, found.profile: name}
    for estimate in outcome.estimates:
        key = estimate.name.replace(" ", "_").replace("-", "_").replace(".", "_")
        unit = "_" + estimate.unit.replace("/", "_per_").replace("°", "deg") if estimate.unit else ""
        ends = (("", estimate.value), ("_low", estimate.low), ("_high", estimate.high))
        facts |= {f"{key}{end}{unit}": float(f"{value:.6g}") for end, value in ends}
    facts |= {f"set {'.'.join(filter(None, change[:2]))}": change.value for change in outcome.changes}
    return json.dumps(
        {**facts, "notes": [*asked.notes, *outcome.notes]}, indent=1, ensure_ascii=False, allow_nan=False
    )


def _text(profile: str) -> str:
    if profile in (*machine_names(), *material_names()):
        return profile_text(profile)
    return Path(profile).read_bytes().decode("utf-8-sig")
