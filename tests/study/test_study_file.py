"""Study files and tables that are repeated, and what is refused of them."""

import numpy as np
import pytest

from pathgen.errors import PathgenError
from pathgen.settings import profile_text
from pathgen.study.run import factor_names, range_names, run_study
from pathgen.study.study_file import check_figure, load_study


def test_a_study_of_every_kind_of_factor(folder):
    (folder / "mine.toml").write_text(
        profile_text("moving-gantry").replace('name = "moving-gantry"', 'name = "mine"')
    )
    (folder / "many.toml").write_text(
        """
        [job]
        layer = 0.4
        [factors]
        picture = ["wall.npy", "./wall.npy"]
        machine = ["mine.toml", "moving-gantry"]
        limits = [{name = "a", spacing_max = 0.6}, {name = "b", spacing_max = 0.7, spacing_min = 0.3}]
        """
    )
    study = load_study(folder / "many.toml")
    assert len(study.cases) == 8 and study.factors == ("picture", "machine", "limits")
    assert study.cases[1].labels == ("wall.npy", "mine.toml", "b")
    assert study.cases[1].job == {
        "layer": 0.4,
        "machine": "mine.toml",
        "spacing_max": 0.7,
        "spacing_min": 0.3,
    }
    assert list(study.files) == ["mine.toml", "wall.npy", "./wall.npy"]
    assert study.cases[7].files == ["./wall.npy"]


def test_an_explicit_table_leaves_open_what_a_case_leaves_open(folder):
    (folder / "t.toml").write_text(
        'design = "table"\npicture = "wall.npy"\ncolumns = ["fill", "layers"]\n[job]\nlayer = 0.3\n'
        'pixel = 0.3\nbrim = 0\n[[case]]\nfill = "raster"\n[[case]]\nfirst_layer = 0.2\n'
    )
    study = load_study(folder / "t.toml")
    assert factor_names(study) == ["factor:fill", "first_layer"]
    table = run_study(study, folder / "t.csv", workers=0)
    assert table.names == ("case", "factor:fill", "first_layer", "fill", "layers", "refused")
    assert [row[:4] for row in table.rows] == [("1", "raster", "", "raster"), ("2", "", "0.2", "tailored")]


def test_a_case_of_a_table_has_what_all_share(folder):
    (folder / "t.toml").write_text(
        'design = "table"\npicture = "wall.npy"\n[job]\nlayer = 0.3\n'
        '[[case]]\npicture = "./wall.npy"\n[[case]]\nlayer = 0.2\n'
    )
    study = load_study(folder / "t.toml")
    assert study.factors == ("picture", "layer")
    assert [case.labels for case in study.cases] == [("./wall.npy", 0.3), ("wall.npy", 0.2)]


def test_continuous_ranges_are_known(folder):
    for design, steps, known in (("grid", ", steps = 3", ()), ("sobol", "", ("packing",))):
        samples = "" if design == "grid" else "samples = 4\n"
        (folder / "r.toml").write_text(
            f'design = "{design}"\n{samples}picture = "wall.npy"\n[factors]\n'
            f'fill = ["raster", "tailored"]\npacking = {{from = 0.9, to = 1{steps}}}\n'
        )
        study = load_study(folder / "r.toml")
        assert study.ranges == known and range_names(study) == list(known)


def test_a_table_repeats_itself(folder):
    run_study(load_study(folder / "small.toml"), folder / "first.csv", workers=0)
    (folder / "small.toml").unlink()
    again = load_study(folder / "first.csv")
    assert again.notes == ()
    run_study(again, folder / "second.csv", workers=0)
    assert (folder / "first.csv").read_bytes() == (folder / "second.csv").read_bytes()
    text = (folder / "first.csv").read_text()
    (folder / "first.csv").write_text(text.replace("#| layers = 2", "#| layers = 3"))
    with pytest.raises(PathgenError, match="the digest in the header does not match the header's text"):
        load_study(folder / "first.csv")
    np.save(folder / "wall.npy", np.full((12, 40), 1.5))
    with pytest.raises(PathgenError, match="has changed since"):
        load_study(folder / "second.csv")
    (folder / "wall.npy").unlink()
    with pytest.raises(PathgenError, match="no such file"):
        load_study(folder / "second.csv")


GOOD = 'picture = "wall.npy"\n[factors]\nfill = ["tailored"]\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the grid design has no factors"),
        ('desing = "grid"\n' + GOOD, "did you mean 'design'"),
        ('design = "random"\n' + GOOD, "'grid' or 'latin-hypercube'"),
        ('columns = ["time"]\n' + GOOD, "unknown column 'time'"),
        ('columns = ["time_s", "time*"]\n' + GOOD, "named twice"),
        ("layers = 0\n" + GOOD, "at least 1"),
        ("viewed = 1\n" + GOOD, "true or false"),
        ("ends = nan\n" + GOOD, "a finite number"),
        (GOOD.replace("wall.npy", "gone.npy"), "no such file"),
        (GOOD.partition("\n")[2], "case 1 has no picture"),
        (GOOD + "[job]\nlayr = 0.1\n", "did you mean 'layer'"),
        (GOOD + '[job]\npicture = "wall.npy"\n', "`picture` is not a job key"),
        (GOOD + '[job]\nmachine = "bench"\n', "unknown machine 'bench'"),
        (GOOD + '[job]\nmaterial = "gone.toml"\n', "no such file"),
        (GOOD.replace("tailored", "tailord"), "did you mean 'tailored'"),
        (GOOD + "fills = [{fill = 'raster'}]\n", "both set fill"),
        (GOOD + "brim = {from = 0, to = 5, steps = 5000}\n", "5000 cases"),
        (GOOD + "[[case]]\nbrim = 1\n", 'design = "table"'),
        ('design = "table"\n' + GOOD, "a table design cannot have factors"),
        ('design = "table"\npicture = "wall.npy"\n', "the table design has no cases"),
        ('design = "table"\npicture = "wall.npy"\n[[case]]\nbrm = 1\n', "did you mean 'brim'"),
        ("job = 3\n" + GOOD, "a table, such as [job]"),
        ("fill = [", "not TOML"),
    ],
)
def test_one_line_says_what_is_wrong(folder, text, said):
    (folder / "s.toml").write_text(text)
    with pytest.raises(PathgenError) as error:
        load_study(folder / "s.toml")
    assert said in str(error.value)
    assert "\n" not in str(error.value)


def test_a_figure_needs_its_columns(folder):
    study = load_study(folder / "small.toml")
    check_figure(study)
    text = (folder / "small.toml").read_text()
    (folder / "small.toml").write_text(text.replace("[job]", '[figure]\nup = "psnr_db"\n[job]'))
    with pytest.raises(PathgenError, match="does not measure column 'psnr_db'"):
        check_figure(load_study(folder / "small.toml"))


def test_a_name_with_a_star_stands_for_all_that_begin_so(folder):
    text = (folder / "small.toml").read_text()
    (folder / "small.toml").write_text(text.replace('"time_s", "moves"', '"default", "psnr*"').replace(
        ', "thickness_rms_mm", "void_share", "overlap_share"', ""))  # fmt: skip
    columns = load_study(folder / "small.toml").request.columns
    assert columns[0] == "time_s" and columns[-1] == "psnr_db"
