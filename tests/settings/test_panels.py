"""Job files of several panels."""

import pytest

from pathgen import PathgenError, load_job, load_panels


def written(tmp_path, text):
    path = tmp_path / "job.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_top_holds_for_all_and_each_panel_adds_its_own(tmp_path):
    path = written(
        tmp_path,
        'width = 60.0\nmachine = "mine.toml"\n[[panel]]\npicture = "a.png"\ncopies = 2\n'
        '[[panel]]\npicture = "sub/b.png"\nwidth = 80.0\noutline = "shapes/bow.wkt"\n',
    )
    one, two = load_panels(path)
    assert one.picture == tmp_path / "a.png" and two.picture == tmp_path / "sub/b.png"
    assert (one.job.width, one.job.copies) == (60.0, 2) and (two.job.width, two.job.copies) == (80.0, 1)
    assert one.job.machine == two.job.machine == str(tmp_path / "mine.toml")
    assert two.job.outline == str(tmp_path / "shapes/bow.wkt") and one.job.outline == "rectangle"


def test_a_file_without_panels_is_one_without_picture(tmp_path):
    path = written(tmp_path, "width = 60.0\n")
    (only,) = load_panels(path)
    assert only.picture is None and only.job == load_job(path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("panel = 3\n", ["`panel` is not a list of tables", "[[panel]]"]),
        ("panel = []\n", ["`panel` is not a list of tables"]),
        ("[panel]\nwidth = 3.0\n", ["`panel` is not a list of tables"]),
        ("[[panel]]\npicture = 3\n", ["picture is 3", "panel 1"]),
        ("[[panel]]\nwidht = 3.0\n[[panel]]\n", ["unknown key 'widht'", "panel 1", "width"]),
        ("[[panel]]\n[[panel]]\nwidth = -1.0\n", ["width is -1", "panel 2"]),
        ("copies = 0\n", ["copies is 0", "1"]),
        ("panel_gap = 0.0\n", ["panel_gap is 0", "more than 0"]),
    ],
)
def test_what_is_refused_says_which_panel(tmp_path, text, words):
    with pytest.raises(PathgenError) as refused:
        load_panels(written(tmp_path, text))
    message = str(refused.value)
    assert "\n" not in message
    for word in words:
        assert word in message


def test_a_single_job_is_not_several(tmp_path):
    with pytest.raises(PathgenError, match="several panels"):
        load_job(written(tmp_path, "[[panel]]\n"))
