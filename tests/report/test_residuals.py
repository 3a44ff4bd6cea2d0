"""The picture of a fit, read back with a general image library."""

from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from pathgen.optics.law_fit import fit_law
from pathgen.optics.laws import ExponentialLaw, TwoFluxLaw
from pathgen.optics.wedge import WedgeMeasurements
from pathgen.report.canvas import PAPER
from pathgen.report.fit_figure import WRONG, residuals_png

T = np.repeat(np.arange(0.4, 4.01, 0.3), 3)


def fitted(slips=(), noise=0.02, choice="auto", law=None, **kwargs):
    random = np.random.default_rng(1)
    light = (law or TwoFluxLaw(0.1, 2.0)).transmittance(T) * (1 + noise * random.standard_normal(T.size))
    light[list(slips)] *= 1.5
    return fit_law(WedgeMeasurements(T, light, light, np.arange(2, 2 + T.size), **kwargs), choice)


def colour(code):
    return np.array([int(code[i : i + 2], 16) for i in (1, 3, 5)])


def dots(content):
    with Image.open(BytesIO(content)) as picture:
        return np.asarray(picture.convert("RGB"), int)


def count(sheet, code):
    return int((np.abs(sheet - colour(code)).sum(axis=-1) < 30).sum())


def test_outliers_are_ringed_and_nothing_else():
    assert count(dots(residuals_png(fitted())), WRONG) == 0
    one, three = (count(dots(residuals_png(fitted(slips))), WRONG) for slips in ([5], [5, 17, 38]))
    assert 0 < one < three


@pytest.mark.parametrize(
    "fit",
    [
        fitted(),
        fitted(noise=0),
        fitted(choice="table"),
        fitted(slips=range(0, T.size, 5)),
        fitted(law=ExponentialLaw(0.2)),
        fitted(absolute=False),
    ],
    ids=["plain", "exact", "table", "slips", "dark", "relative"],
)
def test_any_fit_is_drawn_within_its_sheet(fit):
    sheet = dots(residuals_png(fit, "wedge $x_1$.csv"))
    assert all((edge == colour(PAPER)).all() for edge in (sheet[:4], sheet[-4:], sheet[:, :4], sheet[:, -4:]))


def test_a_fit_is_drawn_twice_alike():
    assert residuals_png(fitted(), "wedge.csv") == residuals_png(fitted(), "wedge.csv")
