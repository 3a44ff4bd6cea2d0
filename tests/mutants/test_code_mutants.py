"""The faults that are put into code: every operator, and the parts of a source that are left alone."""

import pytest

from tests.mutants.code_mutants import OPERATORS, find_sites, mutated

CHANGES = {
    "arithmetic": ("def f(a, b):\n    c = a - (b)\n", ["def f(a, b):\n    c = a + (b)\n"]),
    "negation": ("def f(a, b):\n    c = a not in b\n", ["def f(a, b):\n    c = a in b\n"]),
    "boundary": ("def f(a):\n    c = len(a) < f\n", ["def f(a):\n    c = len(a) <= f\n"]),
    "logic": ("def f(a, b):\n    c = a and b\n", ["def f(a, b):\n    c = a or b\n"]),
    "not": ("def f(a):\n    c = not a\n", ["def f(a):\n    c = a\n"]),
    "constant": ("def f(a):\n    c = 2, 0.5, True\n", ["3, 0.5, True", "2, 1.0, True", "2, 0.5, False"]),
    "default": ("def f(a=1.0):\n    pass\n", ["def f(a=2.0):\n    pass\n"]),
    "index": ("def f(a):\n    c = a[1:, -1]\n", ["c = a[2:, -1]", "c = a[1:, -2]"]),
    "extreme": ("def f(a):\n    c = np.minimum(a, f)\n", ["c = np.maximum(a, f)"]),
    "return": ("def f(a):\n    return a\n", ["def f(a):\n    return None\n"]),
    "deletion": ("def f(a):\n    a.append(f)\n    raise a\n", ["    pass\n    raise a", "(f)\n    pass\n"]),
}
LEFT_ALONE = '''
"""Module 1."""

from __future__ import annotations

__all__ = ["f"][:1]


@dataclass(frozen=True)
class Record(Base, frozen=True):
    """Record 2."""

    size: Annotated[float, 3]


def f(a: tuple[int, 4]) -> tuple[int, 5]:
    """Return 6."""
    plot(a, linewidth=0.5, text=f"{a + 7:.8f}" + "9", slack=1e-9, copy=False, flag=getattr(os, "F", 0))
'''


@pytest.mark.parametrize("operator", OPERATORS)
def test_an_operator_changes_one_site(operator):
    source, wanted = CHANGES[operator]
    found = [
        mutated(source.encode(), site).decode()
        for site in find_sites(source.encode())
        if site.operator == operator
    ]
    assert len(found) == len(wanted)
    assert all(part in text for part, text in zip(wanted, found, strict=True))


def test_words_types_and_looks_are_left_alone():
    """Only the call can be deleted."""
    sites = find_sites(LEFT_ALONE.encode())
    assert [(site.operator, site.line) for site in sites] == [("deletion", 18)]


def test_a_float_beside_a_float_has_no_boundary():
    assert {site.operator for site in find_sites(b"def f(a, b):\n    c = a < b\n")} == {"negation"}
