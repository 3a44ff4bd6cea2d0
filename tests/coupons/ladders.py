"""What the tests of ladders share: programs made once, their layers as text, sheets filled in."""

import io
import re
from functools import cache

from pathgen import compare, replay
from pathgen.coupons import find_coupon
from pathgen.coupons.make import lay_out_coupon
from pathgen.coupons.measurement_sheet import identify_sheet, read_filled
from pathgen.settings import Job

LAYER = re.compile(r"layer \d+/\d+ top ([\d.]+) mm height ([\d.]+) mm")


@cache
def printed(name, machine="moving-table", **job):
    """A coupon laid out for a machine, its program, and what came of writing it."""
    laid, stream = lay_out_coupon(name, Job(machine=machine, **job)), io.BytesIO()
    result = laid.write(stream)
    return laid, stream.getvalue(), result


def layers(text):
    """Bottom of each layer, mm, and its lines."""
    parts = LAYER.split(text.decode())
    return [
        (round(float(top) - float(height), 3), lines.splitlines())
        for top, height, lines in zip(parts[1::3], parts[2::3], parts[3::3], strict=True)
    ]


def bands(laid):
    """Bottom of each band, mm, as its job says, and what its step was made with."""
    (_, job), *_ = laid.specimen.panels
    return [(band.above, *step.nominal) for band, step in zip(job.band, laid.specimen.steps, strict=True)]


def stands_and_is_its_map(name, machine, tmp_path):
    """What holds for every strip on every machine."""
    laid, text, result = printed(name, machine)
    assert result.summary.times.time_s < 90 * 60
    assert result.summary.standing.steadiness.endswith("; steady")
    assert not result.summary.standing.overhangs and result.summary.slowed_moves == 0
    assert result.summary.notes == ["no wedges added: the panel is steady without wedges"]
    out = tmp_path / "strip.gcode"
    out.write_bytes(text)
    found = replay(out)
    assert not found.notes
    wanted = laid.specimen.panels[0][0]
    assert compare(found, wanted, ends=1.0).thickness_rms_mm <= 0.012
    pixel = found.deposited.frame.pixel
    edge = found.thickness[::-1, : round(0.6 / pixel)].mean(axis=1)  # from the platform up
    for (above, *_), step in zip(bands(laid), laid.specimen.steps, strict=True):
        below, over = edge[round(above / pixel) - 2 if above else 3], edge[round(above / pixel) + 1]
        assert below > 1 and (over < 0.01) == (above > 0)
        assert above + 1 <= step.box.bottom < step.box.top - 2


def fill(sheet, **columns):
    """Fill a sheet's cells: a list a column, one entry a row; None stays blank."""
    lines = sheet.splitlines()
    head = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    names = lines[head].split(",")
    for i, line in enumerate(lines[head + 1 :]):
        cells = line.split(",")
        for name, values in columns.items():
            if values[i] is not None:
                cells[names.index(name)] = f"{values[i]:.5g}"
        lines[head + 1 + i] = ",".join(cells)
    return "\n".join(lines) + "\n"


def said(name, text, path):
    """What a filled sheet says, by the way of a file."""
    path.write_text(text, encoding="utf-8")
    setup = printed(name, "moving-table")[0].setup
    found, rows = identify_sheet(path, [find_coupon(name)])
    assert found is find_coupon(name)
    return found.fit(read_filled(found, rows), setup)


def holds(estimate, truth):
    return estimate.low <= truth <= estimate.high
