"""`pathgen picture`: a photograph made ready for a panel, and advice on it."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import click
import numpy as np

from pathgen.cli.options import record_options
from pathgen.cli.output import say
from pathgen.errors import printable
from pathgen.files.outputs import atomic_outputs, refuse_same
from pathgen.settings import load_machine
from pathgen.settings.preparation import Preparation
from pathgen.settings.validation import typed

FILE = click.Path(path_type=Path)


@click.command("picture")
@click.argument("photo", type=FILE)
@click.option("--out", type=FILE, required=True, help="The prepared picture to write: a grey 16-bit PNG.")
@click.option("--stages", type=FILE, help="Write a PNG of every step side by side, with the advice.")
@click.option(
    "--width",
    type=click.FloatRange(0, 2000, min_open=True),
    default=100.0,
    metavar="MM",
    help="Width of the panel that the advice is for. [100]",
)
@click.option(
    "--machine", default="moving-table", help="Machine whose nozzle the advice is for. [moving-table]"
)
@record_options(Preparation)
def picture_command(
    photo: Path, out: Path, stages: Path | None, width: float, machine: str, **options: Any
) -> None:
    """Prepare PHOTO for a panel, and say what of it the panel will lose.

    The same steps can be asked of `pathgen panel` itself, as options or keys of its job.
    """
    from pathgen.picture.advice import advice  # scipy is loaded here, by those who prepare a picture
    from pathgen.picture.prepare import prepare_file

    given = {key: value for key, value in options.items() if value is not None}
    asked = typed(given, Preparation, "command line", from_text=True)
    nozzle = load_machine(machine).hot_end.nozzle_diameter
    mask = [Path(asked.isolate)] if asked.isolate not in ("off", "auto", "alpha") else []
    refuse_same(out, [photo, *mask, *([stages] if stages else [])])
    if stages:
        refuse_same(stages, [photo, *mask])
    with atomic_outputs(path for path in (out, stages) if path) as streams:
        made = prepare_file(photo, asked, keep=stages is not None)
        said = advice(made, width, nozzle)
        streams[out].write(_png(made.luminance))
        if stages:
            from pathgen.report.preparation_figure import stages_png

            streams[stages].write(stages_png(made.stages, f"{made.source}, step by step", said))
    rows, cols = made.luminance.shape
    say(f"{printable(str(out))}: {cols} × {rows} pixels of {made.source}'s {made.size[0]} × {made.size[1]}")
    for line in said:
        say(f"  {line}")
    for note in made.notes:
        say(f"  note: {note}")


def _png(luminance: np.ndarray) -> bytes:
    """Spell grey as a 16-bit PNG, which `pathgen panel` reads back to the same tones."""
    from PIL import Image

    from pathgen.picture import encode_srgb

    codes = np.rint(65535 * encode_srgb(luminance)).astype(np.uint16)
    buffer = BytesIO()
    Image.fromarray(codes).save(buffer, "PNG")
    return buffer.getvalue()
