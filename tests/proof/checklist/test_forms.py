"""Nothing that pathgen itself writes may have a stop: every form and every coupon, on every machine."""

import io

import numpy as np
import pytest
from PIL import Image

from pathgen import Job
from pathgen.coupons import NAMES
from pathgen.coupons.make import lay_out_coupon
from pathgen.proof.checklist import check_program
from pathgen.settings.job import Band
from tests.matrix import paired
from tests.proof.checklist.programs import numbers, program, without_sums
from tests.proof.checklist.seeds import ALL

FORMS = {
    "plain": {"rim_width": 3.0},
    "copies abreast": {"copies": 3},
    "copies in turn": {"copies": 2, "build": "in-turn"},
    "bent": {"bend": 120.0, "rim_width": 2.0},
    "hollow": {"bend": -90.0},
    "ring": {"bend": 360.0, "width": 60.0},
    "ring with a dark seam": {"bend": 360.0, "width": 60.0, "seam": "dark", "rim_width": 2.0},
    "disc on its comb": {"outline": "disc", "rim_width": 2.0},
    "arch": {"outline": "arch"},
    "wedges": {"wedges": 2, "rim_width": 3.0, "wedge_height": 6.0, "wedge_base": 4.0},
    "eyelets": {"eyelets": 2, "rim_width": 3.0},
    "turned": {"turn": 90, "relief": "away"},
    "on its head": {"turn": 180},
    "terraced": {"fill": "terraced"},
    "ring of contours": {"fill": "contour", "bend": -360.0, "width": 60.0, "seam": "dark", "rim_width": 2.0},
    "raster across, dry": {"fill": "raster", "direction": "across", "hairpins": "dry"},
    "terraced, filament leading": {"fill": "terraced", "lead": "on"},
    "contour, filament leading": {"fill": "contour", "lead": "on"},
    "contour": {"fill": "contour"},
    "raster": {"fill": "raster", "direction": "alternate"},
    "steady flow, filament leading": {"pace": "steady-flow", "lead": "on"},
    "dry hairpins": {"hairpins": "dry"},
    "whole motor steps": {"dither": "diffused"},
    "a slope that is kept": {"slope": "minimum"},
    "bands": {
        "band": (
            Band(above=2.0, feed=30.0, fan=0.4),
            Band(above=4.0, packing=0.9),
            Band(above=6.0, nozzle_temperature=215.0),
        )
    },
    "no brim": {"brim": 0.0},
    "fine layers": {"layer": 0.05, "first_layer": 0.15, "height": 3.0},
    "high layers": {"layer": 0.32, "first_layer": 0.32},
}


def relief(rows=60, cols=120):
    """A steep wall between 0.8 and 3 mm."""
    z, u = np.mgrid[0:rows, 0:cols] / 10.0
    waves = np.sin(0.9 * u + 0.5 * z) + np.sin(0.4 * u - 0.8 * z + 1)
    return 0.8 + 2.2 * (waves - waves.min()) / np.ptp(waves)


# Every form on two machines, one that heats by the program and one that does not, one of them with the slow
# tests; the first form on all machines.
PAIRS = [
    pytest.param(ALL[i % 2], name, marks=[pytest.mark.slow] * (i % 4 > 1)) for i, name in enumerate(FORMS)
]
PAIRS += [
    pytest.param(ALL[3 - i % 2], name, marks=[pytest.mark.slow] * (i % 4 < 2)) for i, name in enumerate(FORMS)
]
PAIRS += [(machine, "plain") for machine in (ALL[1], ALL[2])]


@pytest.mark.parametrize("machine,name", PAIRS)
def test_no_form_has_a_stop(machine, name):
    found = check_program(program(machine, relief(), **FORMS[name]))
    assert found.passed, [str(error) for error in found.errors]
    assert numbers(found) <= {213, 703, 704}
    assert found.checks[404] > 0 or "eyelets" in name


def stripes(rows, cols, period, along):
    """Walls of 0.8 and 3 mm in turn, or a sine between them."""
    z, u = np.mgrid[0:rows, 0:cols] / 10.0
    where = u if along else z
    return np.where(where // period % 2, 3.0, 0.8) if period else 1.9 + 1.1 * np.sin(4 * np.pi * where)


@pytest.mark.parametrize("along", [False, True])
@pytest.mark.parametrize("period", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("job", [{"fill": "terraced"}, {"lead": "on"}, {"fill": "terraced", "lead": "on"}])
def test_no_steep_picture_has_an_error_or_a_filament_warning(job, period, along):
    """Filament per column is exact there, but beads are far longer than the wall."""
    text = program(ALL[int(4 * period) % 3], stripes(20, 160, period, along), **job)
    assert numbers(check_program(text)) <= {213, 703}
    found = check_program(without_sums(text))
    assert numbers(found) <= {213, 703}
    assert found.checks[404] > 0 and found.checks[710] > 0


def test_no_picture_with_spread_light_made_up_for_has_an_error(tmp_path):
    """`aim = picture` makes fine bars far deeper than their tone."""
    bars = np.where(np.arange(160) // 5 % 2, 255, 0).astype(np.uint8)
    Image.fromarray(np.tile(bars, (60, 1))).save(tmp_path / "bars.png")
    found = check_program(program("moving-table", tmp_path / "bars.png", aim="picture", width=16.0))
    assert numbers(found) <= {703}


@pytest.mark.parametrize(("name", "machine"), paired(NAMES, ALL))
def test_no_coupon_has_a_stop(name, machine):
    """The lean ladder leans on purpose."""
    stream = io.BytesIO()
    lay_out_coupon(name, Job(machine=machine)).write(stream)
    found = check_program(stream.getvalue())
    assert found.passed, [str(error) for error in found.errors]
    assert numbers(found) <= {213, 703}
    assert (703 in numbers(found)) or name != "overhang-ladder"
