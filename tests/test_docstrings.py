"""The examples in docstrings run, all of them, and so do the stages taken apart."""

import doctest
from importlib import import_module
from pathlib import Path

import pytest

import pathgen

HOUSE = Path(pathgen.__file__).parent
WITH_EXAMPLES = [path for path in sorted(HOUSE.rglob("*.py")) if ">>> " in path.read_text(encoding="utf-8")]


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=lambda path: str(path.relative_to(HOUSE)))
def test_examples(path):
    name = ".".join(("pathgen", *path.relative_to(HOUSE).with_suffix("").parts)).removesuffix(".__init__")
    found = doctest.testmod(import_module(name))
    assert found.attempted and not found.failed


def test_the_stages_taken_apart():
    namespace = {"__name__": "stages"}
    script = Path(__file__).parents[1] / "examples" / "stages.py"
    exec(compile(script.read_text(encoding="utf-8"), str(script), "exec"), namespace)
    error, checked = namespace["main"]()
    assert error < 0.012 and checked.passed


def test_types_are_exported():
    assert (HOUSE / "py.typed").is_file()
