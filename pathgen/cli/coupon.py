"""`pathgen coupon`: calibration prints, listed or made."""

from __future__ import annotations

import json
from io import BytesIO
from pathlib import Path
from typing import Any

import click

from pathgen.cli.options import some_options
from pathgen.cli.output import say
from pathgen.cli.progress import progress_bar
from pathgen.coupons import NAMES, find_coupon
from pathgen.coupons.make import LaidOut, lay_out_coupon
from pathgen.errors import PathgenError, printable
from pathgen.files.outputs import atomic_outputs, refuse_same
from pathgen.program.summary import closing_lines, format_duration
from pathgen.program.writing import checked_line, prove
from pathgen.settings import Job, job_from

FILE = click.Path(path_type=Path)
TAKEN = (
    "machine", "material", "layer", "first_layer", "pixel", "fill", "feed", "first_feed", "packing",
    "spacing",
    "nozzle_temperature", "platform_temperature",
)  # fmt: skip


@click.command("coupon")
@click.argument("name", required=False)
@click.option("--out", type=FILE, help="The program to write.")
@click.option("--sheet", type=FILE, help="The reading sheet to write (CSV). By default beside the program.")
@click.option("--drawing", type=FILE, help="The drawing to write (PNG). By default beside the program.")
@click.option("--summary", type=FILE, help="Write what is known of the print as one flat JSON object.")
@some_options(Job, TAKEN)
def coupon_command(
    name: str | None,
    out: Path | None,
    sheet: Path | None,
    drawing: Path | None,
    summary: Path | None,
    **options: Any,
) -> None:
    """Make the coupon called NAME, a calibration print, with its reading sheet; without NAME, list them.

    Print it, fill in the sheet, and let `pathgen fit` write what it says into your machine's or material's
    profile.
    """
    job = job_from(options, "command line")
    if name is None:
        if out or sheet or drawing or summary:
            raise click.UsageError("Missing argument 'NAME': which coupon is to be written?")
        _list(job)
        return
    find_coupon(name)  # an unknown name is the first thing to say
    if out is None:
        raise click.UsageError("Missing option '--out': the program to write.")
    sheet, drawing = sheet or out.with_suffix(".csv"), drawing or out.with_suffix(".png")
    targets = [path for path in (out, sheet, drawing, summary) if path]
    for path in targets:
        refuse_same(path, [other for other in targets if other is not path])
    laid = lay_out_coupon(name, job)
    _keep_readings(sheet, laid)
    with atomic_outputs(targets) as streams:
        with progress_bar("layers") as progress:
            result = laid.write(streams[out], progress)
        found = prove(laid.platform, streams[out])
        streams[sheet].write(laid.sheet.encode())
        from pathgen.report.coupon_drawing import specimen_png  # loads matplotlib

        streams[drawing].write(specimen_png(laid, float(str(result.summary["time_s"])) / 60))
        if summary:
            text = json.dumps(result.summary, indent=1, ensure_ascii=False, allow_nan=False)
            streams[summary].write(text.encode(errors="backslashreplace") + b"\n")
    for line in closing_lines(result.summary, printable(str(out))):
        say(line)
    say(f"  {checked_line(found)}")
    named, drawn = printable(str(sheet)), printable(str(drawing))
    say(f"{named}: {len(laid.specimen.steps)} steps to read; {drawn}: which is which")
    for sentence in laid.coupon.how:
        say(f"  {sentence}")
    say(f"  then: pathgen fit {named} --{laid.coupon.profile} … --out MY.toml")


def _keep_readings(sheet: Path, laid: LaidOut) -> None:
    """Refuse to write over a sheet in which somebody has filled something in."""
    try:
        there = sheet.read_text(encoding="utf-8-sig") if sheet.is_file() else ""
    except (OSError, ValueError):
        return  # no sheet, or nothing that anybody reads
    if there.strip() and there != laid.sheet:
        hint = "give this print a sheet of its own with --sheet, or move the old one away"
        raise PathgenError("there is a sheet already, and it differs", where=str(sheet), hint=hint)


def _list(job: Job) -> None:
    """List all coupons as they would come out on a machine."""
    rows, notes = [], []
    with progress_bar("coupons") as progress:
        for number, name in enumerate(NAMES):
            if progress:
                progress(number, len(NAMES))
            try:
                rows.append((name, *_figures(lay_out_coupon(name, job)), find_coupon(name).measures))
            except PathgenError as error:
                rows.append((name, "", "", find_coupon(name).measures))
                notes.append(f"  {name} cannot be made as asked: {error}")
    say(f"coupons on {job.machine}, of {job.material}")
    wide = [max(len(row[place]) for row in rows) for place in range(3)]
    for row in rows:
        say(f"  {row[0]:<{wide[0]}}  {row[1]:>{wide[1]}}  {row[2]:>{wide[2]}}  {row[3]}")
    for note in notes:
        say(note)


def _figures(laid: LaidOut) -> tuple[str, str]:
    """Size and time of a coupon."""
    panels = laid.platform.panels
    largest = max(panels, key=lambda planned: planned.panel.width * planned.panel.height)
    size = f"{largest.panel.width:.4g} × {largest.panel.height:.4g} mm"
    several = f"{len(panels)} of " if len(panels) > 1 else ""
    return several + size, format_duration(float(str(laid.write(BytesIO()).summary["time_s"])))
