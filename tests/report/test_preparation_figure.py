"""The sheet of a preparation's stages."""

from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from pathgen.report.preparation_figure import GAP, HEAD, LINE, WIDE, preparation_png

RAMP = np.linspace(0, 1, 60, dtype=np.float32)[None].repeat(30, axis=0)


@pytest.mark.parametrize("count", [1, 3, 4, 9])
def test_every_stage_is_on_the_sheet_in_its_tones(count):
    stages = [(f"step {i}", RAMP * (i + 1) / count) for i in range(count)]
    drawn = preparation_png(stages, "photo.png", ["one", "two"])
    assert count != 3 or drawn == preparation_png(stages, "photo.png", ["one", "two"])
    sheet = np.asarray(Image.open(BytesIO(drawn)).convert("L"), np.float64)
    tall = round(WIDE * 30 / 60)
    for number in range(count):
        row, col = divmod(number, 4)
        top = HEAD + row * (tall + GAP + LINE) + LINE
        left = GAP + col * (WIDE + GAP)
        middle = sheet[top + tall // 2, left + 10 : left + WIDE - 10]
        expected = 255 * np.linspace(10 / WIDE, 1 - 10 / WIDE, len(middle)) * (number + 1) / count
        assert np.abs(middle - expected).max() < 12


def test_long_and_tall_pictures_fit():
    for shape in ((400, 20), (20, 400), (2, 2)):
        assert preparation_png([("grey", np.full(shape, 0.5, np.float32))], "x", [])[1:4] == b"PNG"
