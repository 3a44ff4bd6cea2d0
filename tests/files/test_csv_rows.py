"""Tables filled in by people: separators, blank cells, remarks, and errors with their line."""

import pytest

from pathgen import PathgenError
from pathgen.files.csv_rows import LIMIT, read_rows


def table(text):
    return read_rows(text if isinstance(text, bytes) else text.encode())


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_the_first_line_decides_on_the_separator(mark):
    rows = table(f"# made by hand\n\nstep{mark} wall \n1{mark}0.5\n  # later\n2\n")
    assert (rows.names, rows.cells) == (["step", "wall"], [["1", "0.5"], ["2", ""]])
    assert rows.line == [3, 4, 6]


def test_a_semicolon_wins_over_commas_in_the_names():
    assert table("a;b,c\n1;2,5\n").cells == [["1", "2,5"]]


def test_lines_of_separators_alone_are_blank():
    assert table("a,b\n,\n; ,\t\n1,2\n").cells == [["1", "2"]]


def test_blank_cells_beyond_the_names_are_dropped():
    assert table("a,b\n1,2,,\n").cells == [["1", "2"]]


@pytest.mark.parametrize(
    "text, what, hint",
    [
        ("a,b\n1,0,8\n", "the line has 3 cells, but there are 2 column names", "0.8"),
        ("a;b\n1;2;3\n", "the line has 3 cells, but there are 2 column names", ""),
    ],
)
def test_a_line_with_too_many_cells_is_named(text, what, hint):
    with pytest.raises(PathgenError) as caught:
        table(text)
    error = caught.value
    assert error.what == what and error.where == "program, line 2"
    assert (hint in error.hint) if hint else not error.hint


def test_quotes_that_do_not_close_are_not_csv():
    with pytest.raises(PathgenError, match="not CSV.*line 2"):
        table('a,b\n"1"x,2\n')


@pytest.mark.parametrize("text", ["", "\n \n", "# only a remark\n"])
def test_a_file_without_a_table(text):
    with pytest.raises(PathgenError, match="the file contains no table.*CSV file of measurements"):
        table(text)


def test_a_file_may_be_as_large_as_the_limit():
    text = "a\n".ljust(LIMIT - 2, "#") + "\n1"
    assert len(text) == LIMIT == 1024 * 1024 and table(text).cells == [["1"]]
    with pytest.raises(PathgenError, match="larger than 1 MiB.*average repeated measurements"):
        table(text + "2")


def test_bytes_that_are_not_utf8_name_their_line():
    with pytest.raises(PathgenError, match="byte 0xb5 is not UTF-8.*line 2.*save the table as CSV in UTF-8"):
        table(b"a,b\n\xb5,1\n")
