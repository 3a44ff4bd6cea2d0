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
    "files",
    "settings",
    "deposit",
    "picture",
    "optics",
    "panel",
    "layers",
    "route",
    "motion",
    "gcode",
    "proof",
    "plan",
    "program",
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
    "settings": {"msgspec", "tomlkit"},
    "files": set(),
    "deposit": {"numpy", "scipy"},
    "picture": {"numpy", "PIL", "scipy", "skimage"},
    "optics": {"numpy", "scipy", "msgspec"},
    "panel": {"numpy", "scipy", "shapely"},
    "layers": {"numpy", "shapely"},
    "route": {"numpy", "shapely", "networkx"},
    "motion": {"numpy"},
    "gcode": {"numpy"},
    "proof": {"numpy", "scipy", "shapely", "skimage"},
    "plan": {"numpy", "msgspec", "shapely"},
    "program": {"numpy", "msgspec", "shapely"},
    "job": {"numpy"},
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


def definitions():
    """Public classes and functions at module level: name to the modules that define it."""
    found = {}
    for path in MODULES:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef | ast.FunctionDef) and not node.name.startswith("_"):
                found.setdefault(node.name, set()).add(str(path.relative_to(HOUSE)))
    return found


def test_every_public_name_is_defined_once():
    assert not {name: places for name, places in definitions().items() if len(places) > 1}


def test_no_two_public_names_differ_only_by_case_or_underscores():
    folded = {}
    for name in definitions():
        folded.setdefault(name.lower().replace("_", ""), []).append(name)
    assert not [names for names in folded.values() if len(names) > 1]


def test_few_rooms_and_four_modules_beside_them():
    folders = {path.parent for path in MODULES} - {HOUSE}
    assert len(folders) <= 20
    beside = {path.name for path in HOUSE.glob("*.py")}
    assert beside == {"__init__.py", "__main__.py", "errors.py", "job.py"}


def test_no_two_modules_import_each_other_in_a_circle():
    names = {path: ".".join(path.relative_to(HOUSE.parent).with_suffix("").parts) for path in MODULES}
    known = {name.removesuffix(".__init__") for name in names.values()}
    graph = {}
    for path, name in names.items():
        targets = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("pathgen"):
                for alias in node.names:
                    full = f"{node.module}.{alias.name}"
                    targets.add(full if full in known else node.module)
        graph[name.removesuffix(".__init__")] = targets & known
    # A package's __init__ that re-exports its own modules is no circle; everything else is.
    packages = {name.removesuffix(".__init__") for name in names.values() if name.endswith(".__init__")}
    edges = [
        (a, b)
        for a, targets in graph.items()
        for b in targets
        if not (a in packages and b.startswith(a + "."))
    ]
    import networkx

    circles = [
        sorted(part)
        for part in networkx.strongly_connected_components(networkx.DiGraph(edges))
        if len(part) > 1
    ]
    assert not circles
