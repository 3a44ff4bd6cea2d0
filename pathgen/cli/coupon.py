"""`pathgen coupon`: list the calibration prints, or make one."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from pathgen.cli.files import PICTURE_FILE, PROGRAM_FILE, STDOUT, TABLE_FILE, open_outputs, output_name
from pathgen.cli.options import record_options
from pathgen.cli.output import Answer, json_option
from pathgen.cli.progress import progress_bar
from pathgen.coupons import NAMES, find_coupon
from pathgen.coupons.make import LaidOut, lay_out_coupon
from pathgen.errors import PathgenError, printable
from pathgen.files.inputs import read_input_text
from pathgen.program.summary import closing_lines, format_duration
from pathgen.program.writing import prove
from pathgen.settings import Job, job_from

OPTIONS = (
    "machine", "material", "layer", "first_layer", "pixel", "fill", "feed", "first_feed", "packing",
    "spacing", "nozzle_temperature", "platform_temperature",
)  # fmt: skip
SHEET_LIMIT = 1 << 20  # bytes


def _complete_name(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    names = [name for name in NAMES if name.startswith(incomplete)]
    return [CompletionItem(name, help=find_coupon(name).measures) for name in names]


@click.command("coupon")
@click.argument("name", required=False, shell_complete=_complete_name)
@click.option("--out", type=PROGRAM_FILE, help="Program file to write. '-' is standard output.")
@click.option(
    "--sheet",
    type=TABLE_FILE,
    help="Measurement sheet to write. Default: the program's name with the suffix .csv.",
)
@click.option(
    "--drawing", type=PICTURE_FILE, help="Drawing to write. Default: the program's name with the suffix .png."
)
@json_option
@record_options(Job, OPTIONS)
def coupon_command(
    name: str | None, out: Path | None, sheet: Path | None, drawing: Path | None, **options: Any
) -> Answer:
    """Make the calibration print NAME, or list all calibration prints if there is no NAME.

    The program comes with a measurement sheet and a drawing. Print the coupon, measure it and fill in the
    sheet. Then run `pathgen fit` to write the measured values to your own machine or material profile.
    """
    job = job_from(options, "command line")
    if name is None:
        if out or sheet or drawing:
            raise click.UsageError("Missing argument 'NAME': name the coupon to make.")
        return _list(job)
    find_coupon(name)  # report an unknown name before anything else
    if out is None:
        raise click.UsageError("Missing option '--out': name the program to write.")
    if str(out) != STDOUT:
        sheet, drawing = sheet or out.with_suffix(".csv"), drawing or out.with_suffix(".png")
    outputs = {"--out": out, "--sheet": sheet, "--drawing": drawing}
    with open_outputs(outputs) as files:
        made = lay_out_coupon(name, job)
        if sheet:
            _keep_measurements(sheet, made)
            files.put("--sheet", made.sheet.encode())
        with progress_bar("layers") as progress:
            result = made.write(files["--out"], progress)
        found = prove(made.platform, files["--out"])
        if drawing:
            from pathgen.report.coupon_drawing import coupon_png  # loads matplotlib

            files.put_picture("--drawing", coupon_png(made, result.summary.times.time_s / 60))
        written = {option.strip("-"): str(path) for option, path in files.paths.items() if option != "--out"}
        facts = {"coupon": name, "program": str(out), **written, "steps": len(made.specimen.steps)}
        facts |= {**result.summary.as_dict(), "check_warnings": found.places("warning")}
        lines = [*closing_lines(result.summary, output_name(out)), f"  check: {found.verdict}"]
        return Answer(facts, [*lines, *_next_lines(made, sheet, drawing)], aside=files.piped)


def _next_lines(made: LaidOut, sheet: Path | None, drawing: Path | None) -> list[str]:
    """Describe the next steps after printing."""
    name, lines = printable(str(sheet or "SHEET.csv")), []
    if sheet:
        lines.append(f"{name}: measurement sheet for {len(made.specimen.steps)} steps")
    if drawing:
        lines.append(f"{printable(str(drawing))}: drawing with the number of each step")
    lines += [f"  {sentence}" for sentence in made.coupon.how]
    return [*lines, f"  then: pathgen fit {name} --{made.coupon.profile} … --out MY.toml"]


def _keep_measurements(sheet: Path, made: LaidOut) -> None:
    """Reject a sheet name that would overwrite a filled-in sheet."""
    try:
        existing = read_input_text(sheet, "a measurement sheet", SHEET_LIMIT) if sheet.is_file() else ""
    except (PathgenError, OSError):
        return  # not a sheet; writing reports what is wrong
    if existing.strip() and existing != made.sheet:
        hint = "choose another name with --sheet, or move the existing sheet away"
        raise PathgenError(
            "a different measurement sheet with this name already exists", where=str(sheet), hint=hint
        )


def _list(job: Job) -> Answer:
    """List all coupons with size and time on a machine."""
    rows: list[dict[str, Any]] = []
    with progress_bar("coupons") as progress:
        for number, name in enumerate(NAMES):
            if progress:
                progress(number, len(NAMES))
            row = {"name": name, "measures": find_coupon(name).measures, "error": None}
            try:
                rows.append(row | _size(lay_out_coupon(name, job)))
            except PathgenError as error:
                rows.append(row | {"error": str(error)})
    lines = [f"coupons on {job.machine}, of {job.material}"]
    cells = [(row["name"], *_size_cells(row), row["measures"]) for row in rows]
    wide = [max(len(row[column]) for row in cells) for column in range(3)]
    lines += [f"  {a:<{wide[0]}}  {b:>{wide[1]}}  {c:>{wide[2]}}  {d}" for a, b, c, d in cells]
    lines += [f"  {row['name']} cannot be made: {row['error']}" for row in rows if row["error"]]
    return Answer({"machine": job.machine, "material": job.material, "coupons": rows}, lines)


def _size(made: LaidOut) -> dict[str, Any]:
    """Return the size of a coupon's largest panel, the number of panels and the printing time."""
    panels = [planned.panel for planned in made.platform.panels]
    largest = max(panels, key=lambda panel: panel.width * panel.height)
    time = made.write(BytesIO()).summary.times.time_s
    return {"width_mm": largest.width, "height_mm": largest.height, "panels": len(panels), "time_s": time}


def _size_cells(row: dict[str, Any]) -> tuple[str, str]:
    if row["error"]:
        return "", ""
    several = f"{row['panels']} of " if row["panels"] > 1 else ""
    size = f"{several}{row['width_mm']:.4g} × {row['height_mm']:.4g} mm"
    return size, format_duration(row["time_s"])
