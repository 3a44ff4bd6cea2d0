"""Corrupt measurement sheets are fitted or rejected, without a crash."""

import numpy as np
import pytest

from pathgen import Job
from pathgen.coupons import NAMES
from pathgen.coupons.make import lay_out_coupon
from pathgen.optics.laws import TwoFluxLaw
from tests.fuzz.survival import COUNTS, spoil_bytes, spoil_text, survives, tally

LIGHT = TwoFluxLaw(0.12, 1.8, 0.97)


def wedge(unit="lux", mark=","):
    steps = np.array([0.0, *np.arange(0.4, 3.3, 0.4)])
    full = 255 if unit == "srgb" else 2000
    through = np.where(steps > 0, LIGHT.transmittance(steps), 1.0) * full
    names = mark.join([f"thickness_mm{mark}reading_{unit}{mark}reading_{unit}"])
    rows = [
        f"{t:g}{mark}{x:.4g}{mark}{x * 1.01 if x < full else x:.4g}"
        for t, x in zip(steps, through, strict=True)
    ]
    return "# by hand\n" + "\n".join([names, *rows]) + "\n"


@pytest.fixture(scope="module")
def blank():
    """Sheets of all coupons, with what their columns take."""
    return {name: lay_out_coupon(name, Job()) for name in NAMES}


def filled(laid, dice):
    """A coupon's sheet filled in by somebody: a trend, some scatter, some cells left blank."""
    lines = laid.sheet.rstrip("\n").split("\n")
    head = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    columns = laid.coupon.measured
    trends = [
        (dice.uniform(0, 0.3), dice.choice((0, 0.5, -0.3, 1.0)), dice.choice((0, 0.01, 0.2))) for _ in columns
    ]
    for i in range(head + 1, len(lines)):
        cells = lines[i].split(",")
        share = (i - head) / (len(lines) - head)
        for place, (column, (base, slope, scatter)) in enumerate(zip(columns, trends, strict=True)):
            if dice.random() < 0.05:
                continue
            low, high = column.low, min(column.high, column.low + dice.choice((1, 1, 10, 100)))
            value = low + (high - low) * min(max(base + slope * share + scatter * dice.gauss(0, 1), 0), 1)
            kind = dice.random()
            cells[len(cells) - len(columns) + place] = (
                f"{value:.4g}" if kind < 0.97 else dice.choice(("yes", "no", "1"))
            )
        lines[i] = ",".join(cells)
    return "\n".join(lines) + "\n"


def spoilt(blank, dice):
    """A sheet as bytes, and options that go with it."""
    options = []
    if dice.random() < 0.4:
        text = wedge(dice.choice(("lux", "cd/m2", "linear", "srgb")), dice.choice(",;\t"))
        options = dice.choice(([], [], ["--law", "exponential"], ["--law", "table"], ["--floor", "5"]))
    else:
        text = filled(blank[dice.choice(NAMES)], dice)
    how = dice.random()
    if how < 0.55:
        return spoil_text(text, dice).encode("utf-8", "replace"), options
    if how < 0.85:
        return spoil_bytes(text.encode(), dice), options
    return text.encode(), options


@COUNTS
def test_fit(blank, tmp_path, out, count):
    def case(dice):
        data, options = spoilt(blank, dice)
        (tmp_path / "m.csv").write_bytes(data)
        args = ["fit", tmp_path / "m.csv", "--machine", "moving-table", "--material", "pla-white"]
        args += ["--out", out / "mine.toml", *options, *dice.choice(([], ["--json"]))]
        return survives(args, out)

    ends = tally(case, count, "sheets")
    assert min(ends[0], ends[1]) > count / 20
