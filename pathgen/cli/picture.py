"""`pathgen picture`: prepare a photograph for a panel, with advice."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import click
import numpy as np

from pathgen.cli.files import INPUT, PICTURE_FILE, OutputFile, open_outputs, output_name
from pathgen.cli.options import MACHINE, record_options
from pathgen.cli.output import Answer, json_option
from pathgen.files.inputs import stored_input
from pathgen.settings import load_machine
from pathgen.settings.preparation import Preparation
from pathgen.settings.validation import typed

WIDTH = click.FloatRange(0, 2000, min_open=True)
GREY_FILE = OutputFile(".png", ".tif", ".tiff", stream=True)  # formats with 16 bits of grey


@click.command("picture")
@click.argument("photo", type=INPUT)
@click.option(
    "--out",
    type=GREY_FILE,
    required=True,
    help="Prepared picture to write, 16-bit grey; '-' is standard output.",
)
@click.option("--stages", type=PICTURE_FILE, help="Write a picture that shows all steps and the advice.")
@click.option(
    "--width", type=WIDTH, default=100.0, metavar="MM", help="Panel width assumed in the advice. [100]"
)
@click.option(
    "--machine",
    type=MACHINE,
    default="moving-table",
    help="Machine profile assumed in the advice. [moving-table]",
)
@json_option
@record_options(Preparation)
def picture_command(
    photo: Path, out: Path, stages: Path | None, width: float, machine: str, **options: Any
) -> Answer:
    """Prepare PHOTO for a panel, and report detail and tones that the panel cannot show.

    PHOTO is a file, a pipe, or "-" for standard input. `pathgen panel` has the same options for preparation.
    """
    from pathgen.picture.advice import advice  # loads scipy
    from pathgen.picture.prepare import prepare_file

    named = {key: value for key, value in options.items() if value is not None}
    asked = typed(named, Preparation, "command line", from_text=True)
    nozzle = load_machine(machine).hot_end.nozzle_diameter
    mask = None if asked.isolate in ("off", "auto", "alpha") else Path(asked.isolate)
    outputs = {"--out": out, "--stages": stages}
    with stored_input(photo) as stored, open_outputs(outputs, [photo, mask]) as files:
        made = prepare_file(stored, asked, keep=stages is not None)
        advised = advice(made, width, nozzle)
        files.put_picture("--out", _png(made.luminance))
        if stages:
            from pathgen.report.preparation_figure import preparation_png  # loads matplotlib

            title = f"{made.source}, step by step"
            files.put_picture("--stages", preparation_png(made.stages, title, advised))
        rows, columns = made.luminance.shape
        (wide, high), facts = made.size, dict[str, object](picture=str(out), source=made.source)
        facts |= {"columns": columns, "rows": rows, "source_columns": wide, "source_rows": high}
        facts |= {"advice": list(advised), "notes": list(made.notes)}
        lines = [f"{output_name(out)}: {columns} × {rows} pixels, from {made.source} ({wide} × {high})"]
        lines += [*(f"  {line}" for line in advised), *(f"  note: {note}" for note in made.notes)]
        return Answer(facts, lines, aside=files.piped)


def _png(luminance: np.ndarray) -> bytes:
    """Encode a luminance map as a 16-bit sRGB PNG, so that `pathgen panel` reads the same tones."""
    from PIL import Image

    from pathgen.picture import encode_srgb

    codes = np.rint(65535 * encode_srgb(luminance)).astype(np.uint16)
    buffer = BytesIO()
    Image.fromarray(codes).save(buffer, "PNG")
    return buffer.getvalue()
