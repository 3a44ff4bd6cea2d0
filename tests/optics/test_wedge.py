"""The wedge's file: what is read, what is dropped, what is refused, each in one line."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.files.csv_rows import LIMIT, read_rows
from pathgen.optics.laws import TwoFluxLaw
from pathgen.optics.wedge import WedgeMeasurements, check_wedge, find_floor, select_measurements, step_medians
from pathgen.optics.wedge_sheet import MAX_LINES, parse_wedge_sheet

T = np.array([0.5, 1.0, 1.5, 2.0, 2.5, 3.0])
LIGHT = 800 * TwoFluxLaw(0.1, 2.0).transmittance(T)
GOOD = "thickness_mm,reading_lux\n" + "".join(f"{t},{x:.2f}\n" for t, x in zip(T, LIGHT, strict=True))


def saved(tmp_path, content):
    path = tmp_path / "wedge.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def read_wedge(path, floor=None):
    return select_measurements(parse_wedge_sheet(read_rows(path)), str(path), floor)


def refusal(tmp_path, content, **kwargs):
    with pytest.raises(PathgenError) as caught:
        read_wedge(saved(tmp_path, content), **kwargs)
    text = str(caught.value)
    assert text.isprintable() and "wedge.csv" in text and len(text) < 500
    return text


# -- what is read -----------------------------------------------------------------------------------------


def test_rows_of_thickness_0_are_the_reference(tmp_path):
    wedge = read_wedge(saved(tmp_path, GOOD + "0,800\n0,784\n0,816\n"))
    assert wedge.absolute and wedge.references == 3 and wedge.unit == "lux"
    np.testing.assert_allclose(wedge.light, LIGHT / 800, rtol=1e-3)
    assert wedge.line.tolist() == [2, 3, 4, 5, 6, 7] and wedge.notes == ()


def test_one_slip_among_the_references_does_not_count(tmp_path):
    wedge = read_wedge(saved(tmp_path, GOOD + "0,800\n" * 6 + "0,80\n"))
    np.testing.assert_allclose(wedge.light, LIGHT / 800, rtol=1e-4)


def test_a_reference_beside_each_reading_follows_the_lamp(tmp_path):
    lamp = np.array([800.0, 790, 780, 770, 760, 750])
    rows = [f"{t};{x / 800 * b:.4f};{b}" for t, x, b in zip(T, LIGHT, lamp, strict=True)]
    wedge = read_wedge(saved(tmp_path, "\n".join(["Thickness (mm);Reading [lux];Reference [lux]", *rows])))
    np.testing.assert_allclose(wedge.light, LIGHT / 800, rtol=1e-5)
    assert wedge.references == 0 and wedge.absolute


def test_blank_references_take_the_mean_of_the_others(tmp_path):
    rows = GOOD.splitlines()
    text = "\n".join(
        [rows[0] + ",reference_lux", rows[1] + ",790", *(r + "," for r in rows[2:-1]), rows[-1] + ",810"]
    )
    wedge = read_wedge(saved(tmp_path, text))
    np.testing.assert_allclose(wedge.light[1:-1], LIGHT[1:-1] / 800, rtol=1e-4)
    assert wedge.references == 2


def test_repeated_columns_are_repeated_readings(tmp_path):
    text = "thickness_mm\treading_lux\tremark\treading_lux\n" + "".join(
        f"{t}\t{x:.2f}\tfine, as ever\t{x * 1.02:.2f}\n" for t, x in zip(T, LIGHT, strict=True)
    )
    wedge = read_wedge(saved(tmp_path, text))
    assert len(wedge) == 12 and wedge.line.tolist() == np.repeat(np.arange(2, 8), 2).tolist()
    assert not wedge.absolute
    np.testing.assert_allclose(wedge.light[1::2] / wedge.light[::2], 1.02, rtol=1e-3)


def test_darkness_is_taken_off(tmp_path):
    rows = [f"{t},{x + 5:.3f},805,5" for t, x in zip(T, LIGHT, strict=True)]
    text = "\n".join(["thickness_mm,reading_lux,reference_lux,dark_lux", *rows])
    np.testing.assert_allclose(read_wedge(saved(tmp_path, text)).light, LIGHT / 800, rtol=1e-4)


def test_photographs_are_decoded(tmp_path):
    # IEC 61966-2-1, codes of 255 and their linear values.
    codes = {192: 0.52711513, 128: 0.2158605, 64: 0.05126946, 11: 0.00334654, 10: 0.00303527}
    text = "thickness_mm,reading_srgb\n0.5,255\n" + "".join(
        f"{i},{code}\n" for i, code in enumerate(codes, 1)
    )
    wedge = read_wedge(saved(tmp_path, text))
    np.testing.assert_allclose(wedge.light, list(codes.values()), rtol=2e-6)
    assert wedge.notes == ("1 measurement at 0.5 mm dropped: code 255, clipped in the photograph",)


@pytest.mark.parametrize(
    "text",
    [
        "\ufeff" + GOOD,
        GOOD.replace("\n", "\r\n"),
        GOOD.replace(",", ";"),
        GOOD.replace(",", "\t"),
        GOOD.replace(",", " , "),
        "# the white spool\n\n" + GOOD.replace("\n", "\n\n"),
        GOOD.replace("_lux", "_LUX").replace("thickness_mm", '"Thickness (mm)"'),
        GOOD.rstrip("\n") + "\n,\n;;\n",
    ],
    ids=["mark", "crlf", "semicolons", "tabs", "blanks", "comments", "capitals", "empty rows"],
)
def test_programs_write_csv_in_many_ways(text, tmp_path):
    np.testing.assert_allclose(read_wedge(saved(tmp_path, text)).light, LIGHT, rtol=1e-3)


# -- what is dropped --------------------------------------------------------------------------------------


def lines_of(t, light):
    return "thickness_mm,reading_lux\n" + "".join(f"{a},{b}\n" for a, b in zip(t, light, strict=True))


LONG = np.arange(0.4, 8.01, 0.4)
TRUE = 300 * TwoFluxLaw(0.3, 2.0).transmittance(LONG)


def test_whole_numbers_of_a_meter_end_on_a_floor(tmp_path):
    shown = np.maximum(np.round(TRUE), 1)
    wedge = read_wedge(saved(tmp_path, lines_of(LONG, shown)))
    assert wedge.shown.min() >= 5 and len(wedge) >= 8
    assert len(wedge.notes) == 1 and "dropped: below 5 times the floor of the meter, 1 lux" in wedge.notes[0]


def test_a_meter_that_shows_nothing(tmp_path):
    wedge = read_wedge(saved(tmp_path, lines_of(LONG, np.where(TRUE > 10, TRUE, 0))))
    assert wedge.shown.min() > 10
    assert wedge.notes[0].endswith("dropped: not brighter than the dark measurement")


@pytest.mark.parametrize("seed", range(20))
def test_stray_light_that_flickers_is_a_floor_too(seed, tmp_path):
    random = np.random.default_rng(seed)
    shown = (TRUE + 4) * (1 + 0.02 * random.standard_normal(len(TRUE)))
    wedge = read_wedge(saved(tmp_path, lines_of(LONG, shown)))
    assert wedge.shown.min() > 18 and "the floor of the meter" in wedge.notes[0]


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize(("k", "s"), [(0.0, 2.0), (0.1, 2.0), (0.03, 0.7), (1.0, 0.1), (0.0, 20.0)])
def test_no_floor_is_seen_where_there_is_none(seed, k, s):
    random = np.random.default_rng(seed)
    t = np.repeat(np.arange(0.2, 5.01, 0.3), 3)
    light = TwoFluxLaw(k, s).transmittance(t) * (1 + 0.02 * random.standard_normal(t.size))
    assert find_floor(t, light) == 0.0


def test_a_floor_that_is_given(tmp_path):
    wedge = read_wedge(saved(tmp_path, GOOD), floor=60)
    assert wedge.shown.min() >= 60 and "below the floor of 60" in wedge.notes[0]
    assert "thicknesses" in refusal(tmp_path, GOOD, floor=200)


def test_middles():
    t, middle, count = step_medians(np.array([2.0, 1, 2, 2, 1]), np.array([5.0, 3, 9, 1, 4]))
    assert (t.tolist(), middle.tolist(), count.tolist()) == ([1.0, 2.0], [3.5, 5.0], [2, 3])
    assert all(column.size == 0 for column in step_medians(np.empty(0), np.empty(0)))
    assert find_floor(np.empty(0), np.empty(0)) == 0.0


# -- what is refused --------------------------------------------------------------------------------------

HEAD = "thickness_mm,reading_lux\n"
CASES = {
    "empty": ("", ["no table"]),
    "only blanks": ("\n \n# nothing\n", ["no table"]),
    "only a head": (HEAD, ["no measurements"]),
    "no readings": (HEAD + "1,\n2,\n", ["no measurements", "enter the values in the column reading_"]),
    "no thickness": (
        GOOD.replace("thickness_mm", "depth"),
        ["the thickness column is missing", "thickness_mm"],
    ),
    "no reading": (
        GOOD.replace("reading_lux", "value"),
        ["the reading column is missing", "reading_lux", "reading_srgb"],
    ),
    "nearly": (
        GOOD.replace("thickness_mm", "thicknes_mm"),
        ["the thickness column is missing", "rename 'thicknes_mm' to thickness_mm"],
    ),
    "no header": (GOOD.split("\n", 1)[1], ["line 1", "the thickness column is missing"]),
    "no unit": (GOOD.replace("reading_lux", "reading"), ["'reading' has no unit", "reading_lux or"]),
    "other unit": (GOOD.replace("_lux", "_candela"), ["unit 'candela'", "line 1", "reading_cd/m2"]),
    "micrometres": (GOOD.replace("_mm", "_um"), ["unit 'um'", "thickness_mm"]),
    "two units": (
        "thickness_mm,reading_lux,reference_srgb\n1,2,3\n",
        ["'reference_srgb' is in srgb, but another column is in lux"],
    ),
    "twice": ("thickness_mm,thickness_mm,reading_lux\n1,2,3\n", ["'thickness_mm' is repeated"]),
    "decimal comma": (HEAD + "0,5,300\n", ["line 2", "3 cells, but", "with a point"]),
    "decimal comma 2": ("thickness_mm;reading_lux\n0,5;300\n", ["'0,5'", "line 2", "use a decimal point"]),
    "text": (GOOD.replace("\n1.5,", "\n1.5,bright"), ["reading_lux is 'bright", "line 4", "a number from 0"]),
    "nan": (GOOD + "4,nan\n", ["reading_lux is 'nan'", "line 8"]),
    "infinity": (GOOD + "4,1e999\n", ["'1e999'", "line 8"]),
    "underscore": (GOOD + "4,1_0\n", ["'1_0'", "line 8"]),
    "negative": (GOOD + "4,-3\n", ["'-3'", "line 8", "from 0"]),
    "no number": (GOOD + ",3\n", ["thickness_mm is blank", "line 8"]),
    "next to nothing": (
        GOOD + "1e-320,300\n",
        ["thickness_mm is '1e-320'", "line 8", "0, or a number from 0.001 to 100 mm"],
    ),
    "metres": (GOOD + "4000,3\n", ["'4000'", "from 0.001 to 100 mm"]),
    "over code": ("thickness_mm,reading_srgb\n1,256\n", ["'256'", "0 to 255 srgb"]),
    "open quote": (HEAD + '1,"300\n', ["not CSV", "line 2"]),
    "three steps": (
        "\n".join(GOOD.splitlines()[:4]),
        ["3 usable thicknesses (0.5, 1, 1.5 mm)", "at least 4"],
    ),
    "one step": (HEAD + "1,300\n" * 30, ["1 usable thicknesses", "at least 4"]),
    "rising": (
        "\n".join([HEAD.strip(), *(f"{t},{x:.2f}" for t, x in zip(T, LIGHT[::-1], strict=True))]),
        ["3 mm transmits", "times the light of 0.5 mm", "lines 2 and 7", "less light through a thicker step"],
    ),
    "flat": (HEAD + "1,5\n2,6\n3,5\n4,6\n", ["less light through a thicker step"]),
    "rising end": (GOOD + "3.5,60\n4,100\n4.5,180\n", ["times the light of 3 mm", "lines 7 and 9"]),
    "brighter": (GOOD + "0,300\n", ["times the reference", "line 2", "at most the reference"]),
    "dark reference": (GOOD + "0,0\n", ["the reference is 0", "line 8"]),
    "clipped reference": (
        "thickness_mm,reading_srgb\n0,255\n1,200\n2,150\n3,100\n4,50\n",
        ["the reference is 255", "clipped", "reduce the exposure"],
    ),
    "two references": (
        "thickness_mm,reading_lux,reference_lux\n0,800,800\n1,300,800\n",
        ["a row of thickness 0 and a reference column", "line 2"],
    ),
    "floor": (
        HEAD + "1,40\n2,1\n3,1\n4,1\n5,1\n",
        ["1 usable thicknesses (1 mm)", "4 measurements at 2 to 5 mm dropped"],
    ),
    "many": (HEAD + "1,5\n" * MAX_LINES, [f"{MAX_LINES} lines of measurements", f"fewer than {MAX_LINES}"]),
    "huge": (b"#" * (LIMIT + 1), ["larger than 1 MiB"]),
    "picture": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", ["line 1", "0x89 is not UTF-8"]),
    "zeros": (b"\0" * 100, ["it is not a text file"]),
    "spreadsheet": (b"PK\x03\x04\x14\0\x06\0\x08\0\xd7", ["not UTF-8", "save the table as CSV"]),
    "utf-16": (GOOD.encode("utf-16"), ["not UTF-8", "save the table as CSV in UTF-8"]),
    "latin-1": ("thickness_mm,reading_lux,bemerkung\n1,5,schön\n".encode("latin-1"), ["line 2", "0xf6"]),
}


@pytest.mark.parametrize(("content", "said"), CASES.values(), ids=CASES)
def test_what_is_no_wedge(content, said, tmp_path):
    text = refusal(tmp_path, content)
    for part in said:
        assert part in text, text


def test_the_thick_half_is_compared_with_the_thin_half():
    """Medians of three: 0 against 1, although the ends alone fall."""
    light = np.exp([4.0, 0.0, 0.0, 1.0, 1.0, 2.0])
    wedge = WedgeMeasurements(np.arange(1.0, 7), light, light, np.arange(2, 8), absolute=False)
    with pytest.raises(PathgenError, match="less light through a thicker step"):
        check_wedge(wedge)


def test_files_that_are_none(tmp_path):
    for path, said in (
        (tmp_path, "a folder, not a file"),
        (tmp_path / "none.csv", "no such file"),
        ("zero\0byte.csv", "cannot be read"),
    ):
        with pytest.raises(PathgenError, match=said):
            read_wedge(path)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    content=st.binary(max_size=80)
    | st.text(alphabet="0123456789,;.\n\"'#-e \t", max_size=80).map(lambda rest: (HEAD + rest).encode())
)
def test_whatever_is_in_the_file(content, tmp_path):
    try:
        wedge = read_wedge(saved(tmp_path, content))
    except PathgenError as error:
        assert str(error).isprintable()
    else:
        assert np.isfinite(wedge.light).all() and (wedge.light > 0).all() and (wedge.thickness > 0).all()
