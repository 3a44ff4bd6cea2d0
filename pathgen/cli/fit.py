"""`pathgen fit`: turn a coupon's measurements into values for a machine or material profile."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from pathgen.cli.files import (
    INPUT,
    PICTURE_FILE,
    PROFILE_FILE,
    TABLE_FILE,
    Outputs,
    open_outputs,
    output_name,
)
from pathgen.cli.fit_text import law_facts, law_lines, outcome_facts
from pathgen.cli.options import MACHINE, MATERIAL
from pathgen.cli.output import Answer, json_option
from pathgen.coupons import all_coupons, find_coupon
from pathgen.coupons.definition import Coupon
from pathgen.coupons.measurement_sheet import csv_text, identify_sheet, read_filled
from pathgen.coupons.profile_update import update_profile_text
from pathgen.coupons.shapes import plain_job
from pathgen.errors import printable
from pathgen.files.csv_rows import CsvRows
from pathgen.files.inputs import STDIN, input_name, read_input_text
from pathgen.optics.law_fit import LAWS, fit_law
from pathgen.optics.material_file import material_name, material_text
from pathgen.optics.wedge import select_measurements
from pathgen.optics.wedge_sheet import parse_wedge_sheet
from pathgen.settings import Setup, job_from, load_material, profile_text, settle
from pathgen.settings.loading import LIMIT, machine_names, material_names

LAW = click.Choice(["auto", *LAWS])
ABOVE_0 = click.FloatRange(0, 1e9, min_open=True)
WEDGE = "step-wedge"
CORNERS = "Corners of the coupon in --photo, in pixels: top left, top right, bottom right, bottom left."


@dataclass(frozen=True, slots=True)
class _Task:
    """Inputs and outputs of a fit."""

    measured: Path
    base: str  # the profile to start from
    files: Outputs
    notes: list[str]

    @property
    def out(self) -> Path:
        return self.files.paths["--out"]

    @property
    def source(self) -> str:
        """Name of the measurement sheet, as written in the profile and the plot."""
        return input_name(self.measured) if str(self.measured) == STDIN else self.measured.name


@click.command("fit")
@click.argument("measured", type=INPUT)
@click.option(
    "--machine", type=MACHINE, help="Profile of the machine that printed the coupon: a name or a TOML file."
)
@click.option(
    "--material", type=MATERIAL, help="Profile of the material of the coupon: a name or a TOML file."
)
@click.option(
    "--out", type=PROFILE_FILE, required=True, help="Updated profile to write; '-' is standard output."
)
@click.option("--plot", type=PICTURE_FILE, help="Write a plot of the measurements and the fit.")
@click.option("--law", type=LAW, default="auto", help="Transmittance law to fit to a step wedge. [auto]")
@click.option(
    "--floor",
    type=ABOVE_0,
    metavar="X",
    help="Smallest reading of a step wedge that the light meter can resolve.",
)
@click.option("--photo", type=INPUT, help="Photograph of a step wedge or resolution chart to measure.")
@click.option("--corners", metavar="X,Y X,Y X,Y X,Y", help=CORNERS)
@click.option(
    "--blank", type=INPUT, help="Photograph of the same scene as in --photo, but without the coupon."
)
@click.option("--filled", type=TABLE_FILE, help="Write the sheet, filled with the values from --photo.")
@json_option
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
) -> Answer:
    """Update a machine or material profile from MEASURED, the filled-in sheet of a coupon.

    MEASURED is a CSV file, or "-" for standard input. The column names identify the coupon. You can also
    write the sheet for a step wedge yourself. The first line names the columns and units:

    \b
      thickness_mm    thickness of the step; 0 for a reading without the wedge
      reading_UNIT    reading through the step; add one such column per repetition
      reference_UNIT  reading without the wedge (optional)
      dark_UNIT       reading without light (optional)

    UNIT is lux, cd/m2, linear (proportional to light) or srgb (pixel value in a photograph, 0 to 255). Four
    thicknesses are the minimum; ten thicknesses with five readings each can tell the light laws apart.
    """  # noqa: D301 - the mark that keeps a paragraph's lines has to be a real one
    if (photo is None) != (corners is None):
        raise click.UsageError("--photo and --corners must be used together.")
    if photo is None and (blank or filled):
        raise click.UsageError("--blank and --filled work only with --photo.")
    found, rows = identify_sheet(measured, all_coupons())
    profile = "material" if found is None else found.profile
    base = material if profile == "material" else machine
    if base is None:
        what = f"the sheet of a {found.name if found else WEDGE} updates a {profile} profile"
        raise click.UsageError(f"Missing option '--{profile}': {what}.")
    inputs = [measured, photo, blank, *(Path(name) for name in (machine, material) if name)]
    with open_outputs({"--out": out, "--plot": plot, "--filled": filled}, inputs) as files:
        named = {key: name for key, name in (("machine", machine), ("material", material)) if name}
        setup, notes = settle(plain_job(job_from(named, "command line"))), list[str]()
        if photo and corners:
            rows, notes = _photographed(found, rows, setup, photo, corners, blank)
        if filled:
            files.put("--filled", csv_text(rows).encode())
        task = _Task(measured, base, files, notes)
        if found is None or found.name == WEDGE:
            return _fit_law(task, rows, law, floor)
        return _fit_figures(task, found, rows, setup)


def _photographed(
    found: Coupon | None, rows: CsvRows, setup: Setup, photo: Path, corners: str, blank: Path | None
) -> tuple[CsvRows, list[str]]:
    """Fill a sheet with values measured in a photograph."""
    from pathgen.coupons.photo import fill_from_photo, open_photo, parse_corners  # loads scikit-image

    found = found or find_coupon(WEDGE)
    thickness, job = found.build(setup).panels[0]
    high, wide = (side * job.pixel for side in thickness.shape)
    return fill_from_photo(open_photo(photo, parse_corners(corners), (wide, high), blank), found, rows)


def _fit_law(task: _Task, rows: CsvRows, law: str, floor: float | None) -> Answer:
    """Fit the light law of a step wedge."""
    before, source = load_material(task.base), input_name(task.measured)
    fit = fit_law(select_measurements(parse_wedge_sheet(rows), source, floor), law, before.light)
    name = material_name(task.out.stem, material_names())
    task.files.put("--out", material_text(_profile_text(task.base), fit, name, task.source).encode())
    if "--plot" in task.files:
        from pathgen.report.fit_figure import residuals_png  # loads matplotlib

        task.files.put_picture("--plot", residuals_png(fit, printable(task.source)))
    facts = {"measured": task.source, "material": name, **law_facts(fit, before)}
    return _answer(task, facts, law_lines(printable(source), fit, before), fit.notes)


def _fit_figures(task: _Task, found: Coupon, rows: CsvRows, setup: Setup) -> Answer:
    """Fit the profile values that a coupon measures."""
    assert found.fit is not None, "only the wedge has none"
    sheet = read_filled(found, rows)
    outcome = found.fit(sheet, setup)
    known = machine_names() if found.profile == "machine" else material_names()
    name = material_name(task.out.stem, known)
    task.files.put("--out", update_profile_text(_profile_text(task.base), outcome, found, name).encode())
    if "--plot" in task.files:
        from pathgen.report.fit_figure import fit_png  # loads matplotlib

        task.files.put_picture("--plot", fit_png(outcome, f"{found.name}, {printable(task.source)}"))
    facts = {"measured": task.source, "coupon": found.name, found.profile: name, **outcome_facts(outcome)}
    lines = [f"{printable(input_name(task.measured))}: {len(sheet.line)} measurements of a {found.name}"]
    lines += [f"  {estimate}" for estimate in outcome.estimates]
    lines += [f"  this {found.profile}: {line}" for line in outcome.before_after]
    return _answer(task, facts, lines, outcome.notes)


def _answer(task: _Task, facts: dict[str, object], lines: list[str], fit_notes: tuple[str, ...]) -> Answer:
    notes = [*task.notes, *fit_notes]
    lines += [*(f"  note: {note}" for note in notes), f"  written to {output_name(task.out)}"]
    return Answer(facts | {"profile": str(task.out), "notes": notes}, lines, aside=task.files.piped)


def _profile_text(profile: str) -> str:
    if profile in (*machine_names(), *material_names()):
        return profile_text(profile)
    return read_input_text(profile, "a TOML file", LIMIT)
