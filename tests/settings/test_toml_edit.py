"""Keys change, and nothing else does; a general TOML library reads the same out of it."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pathgen.errors import PathgenError
from pathgen.settings import material_names, profile_text
from pathgen.settings.toml_edit import rewrite_table, toml_item

TEXT = """\
# heading
name = "mine"  # of course

[light]
# guessed
# long ago

law = "two-flux"  # a "#" in quotes
absorption = 0.1
# between
steps = [  # many
    1.0, # one
    2.0,
]
note = '''
[light]
absorption = 7
'''
t0 = 1.0

[unknown."odd # name"]
x = {a = 1, b = [1, 2]}

[[boxes]]
y = 1
# the end"""


def changed_lines(before, after):
    return [line for line in after.splitlines() if line not in before.splitlines()]


def test_a_key_changes_where_it_stands():
    text = rewrite_table(TEXT, "light", {"absorption": 0.25})
    assert text == TEXT.replace("absorption = 0.1", "absorption = 0.25") + "\n"


def test_comments_behind_values_stay():
    text = rewrite_table(TEXT, "light", {"law": "exponential"})
    assert changed_lines(TEXT, text) == ['law = "exponential"  # a "#" in quotes']


def test_arrays_and_texts_over_several_lines_go_whole():
    text = rewrite_table(TEXT, "light", {"steps": [3.0]}, drop=["note"])
    assert tomllib.loads(text)["light"] == {"law": "two-flux", "absorption": 0.1, "steps": [3.0], "t0": 1.0}
    assert "# one" not in text and "absorption = 7" not in text and "# between" in text


def test_new_keys_follow_the_one_before():
    text = rewrite_table(
        TEXT, "light", {"law": "table", "depth": [1.0, 2.0]}, remarks={"depth": "mm", "law": "no"}
    )
    lines = text.splitlines()
    place = lines.index('law = "table"  # a "#" in quotes')
    assert lines[place + 1] == "depth = [1.0, 2.0]  # mm"


def test_the_lead_gives_way_and_other_comments_stay():
    text = rewrite_table(TEXT, "light", {}, lead=["measured", ""])
    assert "# guessed" not in text and "# long ago" not in text
    assert "[light]\n# measured\n#\n\nlaw" in text
    for kept in ("# heading", "# of course", "# between", "# the end"):
        assert kept in text
    assert tomllib.loads(text) == tomllib.loads(TEXT)
    assert rewrite_table(text, "light", {}, lead=["measured", ""]) == text


def test_keys_at_the_top():
    text = rewrite_table(TEXT, "", {"name": "yours", "about": "new"})
    assert text.startswith('# heading\nname = "yours"  # of course\nabout = "new"\n\n[light]')


def test_line_ends_stay():
    text = rewrite_table(TEXT.replace("\n", "\r\n"), "light", {"t0": 0.5})
    assert text.replace("\r\n", "\n") == rewrite_table(TEXT, "light", {"t0": 0.5})
    assert text.count("\n") == text.count("\r\n")


@pytest.mark.parametrize(
    "text",
    [
        'light = {law = "two-flux", t0 = 1.0}\n',
        'light.law = "two-flux"\nlight.t0 = 1.0\n',
        "[light.more]\nx = 1\n",
        "a = 1\n",
        "",
        "[[light]]\nt0 = 1.0\n",
        "[light]\nt0.x = 1.0\nt0.y = 2.0\n",
    ],
)
def test_what_cannot_be_changed_line_by_line_is_refused(text):
    with pytest.raises(PathgenError) as caught:
        rewrite_table(text, "light", {"t0": 0.5})
    assert "[light]" in str(caught.value)


@pytest.mark.parametrize("header", ['["light"]', "[ light ]", "[axes.light]", '[axes . "light"]'])
def test_headers_in_any_spelling(header):
    table = "axes.light" if "axes" in header else "light"
    text = rewrite_table(f"{header}\nt0 = 1.0  # surfaces\n", table, {"t0": 0.5, "length": 1.5})
    assert text == f"{header}\nt0 = 0.5  # surfaces\nlength = 1.5\n"


@pytest.mark.parametrize("name", material_names())
def test_shipped_profiles_survive_unchanged(name):
    text = profile_text(name)
    assert rewrite_table(text, "light", {}) == text
    light = tomllib.loads(text)["light"]
    assert rewrite_table(text, "light", light) == text


scalars = st.text(max_size=20) | st.floats(allow_nan=False, allow_infinity=False) | st.booleans()


@given(value=scalars | st.integers(-(2**62), 2**62) | st.lists(st.floats(-1e9, 1e9), max_size=60))
def test_values_are_read_back(value):
    assert tomllib.loads(f"x = {toml_item(value).as_string()}\n") == {"x": value}
    text = rewrite_table("[light]\nx = 1 # old\n", "light", {"x": value})
    assert tomllib.loads(text) == {"light": {"x": value}}
    assert text.endswith(" # old\n")


def test_a_first_new_key_stands_before_the_others_and_below_the_comment():
    text = rewrite_table("[light]\n# guessed\nlength = 1.5\n", "light", {"law": "table", "length": 1.2})
    assert text == '[light]\n# guessed\nlaw = "table"\nlength = 1.2\n'
    text = rewrite_table("[light]\n# guessed\n", "light", {"length": 1.2})
    assert text == "[light]\n# guessed\nlength = 1.2\n"


def test_an_array_wider_than_100_characters_has_a_value_on_each_line():
    assert "\n" not in toml_item(["a" * 96]).as_string()
    assert "\n" in toml_item(["a" * 97]).as_string()
