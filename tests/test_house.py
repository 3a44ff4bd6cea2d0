"""The house rules that hold the structure: who imports whom, and which packages each room may use."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import pathgen

HOUSE = Path(pathgen.__file__).parent

# From left to right; a room may import itself, what stands before it, and nothing after.
ORDER = [
    "errors",
    "atomic",
    "settings",
    "csvrows",
    "picture",
    "optics",
    "panel",
    "layers",
    "route",
    "motion",
    "gcode",
    "proof",
    "toning",
    "source",
    "planned",
    "trial",
    "standing",
    "room",
    "turning",
    "planning",
    "detour",
    "sequence",
    "summary",
    "writing",
    "within",
    "job",
    "coupons",
    "study",
    "report",
    "cli",
    "__init__",
    "__main__",
]

# Third-party packages each room may import, at module level or below it.
ALLOWED = {
    "errors": set(),
    "atomic": set(),
    "settings": {"msgspec"},
    "csvrows": set(),
    "picture": {"numpy", "PIL", "scipy", "skimage"},
    "optics": {"numpy", "scipy", "msgspec"},
    "panel": {"numpy", "scipy", "shapely"},
    "layers": {"numpy", "shapely"},
    "route": {"numpy", "shapely", "networkx"},
    "motion": {"numpy"},
    "gcode": {"numpy"},
    "proof": {"numpy", "scipy", "shapely", "skimage"},
    "source": {"numpy", "shapely"},
    "toning": {"numpy"},
    "planned": {"numpy"},
    "standing": {"numpy"},
    "turning": {"numpy"},
    "planning": {"numpy", "msgspec", "shapely"},
    "detour": {"numpy", "shapely"},
    "sequence": {"numpy", "shapely"},
    "trial": {"numpy", "msgspec"},
    "summary": {"numpy"},
    "job": {"numpy"},
    "writing": {"numpy"},
    "within": {"numpy", "msgspec"},
    "coupons": {"numpy", "scipy", "msgspec", "PIL", "skimage"},
    "report": {"numpy", "matplotlib", "jinja2", "markupsafe", "PIL"},
    "study": {"numpy", "scipy", "msgspec", "distributed"},
    "cli": {"click", "msgspec", "numpy", "PIL"},
    "__init__": set(),
    "__main__": set(),
}

MODULES = sorted(HOUSE.rglob("*.py"))


def room_of(path):
    parts = path.relative_to(HOUSE).parts
    return parts[0].removesuffix(".py")


def imported(path):
    """Dotted names that a module imports, wherever in it; those for type checkers only are left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            skipped |= set(ast.walk(node))
    for node in ast.walk(tree):
        if node in skipped:
            continue
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            if node.module == "pathgen":
                yield from (f"pathgen.{name.name}" for name in node.names)
            else:
                yield node.module


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(HOUSE)))
def test_imports_point_one_way(path):
    room = room_of(path)
    assert room in ORDER, f"{room} has no place in the house: give it one in ORDER"
    for name in imported(path):
        first, _, rest = name.partition(".")
        if first == "pathgen" and rest:
            other = rest.split(".")[0]
            if other in ORDER:
                assert ORDER.index(other) <= ORDER.index(room), f"{path.name} imports {name}"
        elif first not in sys.stdlib_module_names and first != "pathgen":
            assert first in ALLOWED[room], f"{path.name} imports {name}"


def test_only_the_command_line_prints_or_exits():
    for path in MODULES:
        if room_of(path) in ("cli", "__main__"):
            continue
        calls = [n for n in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(n, ast.Call)]
        names = {ast.unparse(call.func) for call in calls}
        assert not names & {"print", "sys.exit", "exit", "quit"}, path


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(HOUSE)))
def test_files_stay_readable(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 500


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from pathgen.cli import run; run(['--help']);"
        "heavy = {'scipy', 'matplotlib', 'numpy', 'shapely', 'skimage'} & set(sys.modules);"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
