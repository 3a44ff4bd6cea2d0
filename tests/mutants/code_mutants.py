"""Find the small faults that can be put into a Python source file.

Glossary
--------
site
    A place in a source where one operator applies.
mutant
    A source with one site changed.
operator
    The kind of change; `OPERATORS` lists all of them.

Strings and f-strings (the wording of messages), docstrings, annotations, `__all__`, decorators, class
keywords, arguments that only set the looks of a drawing (`LOOKS`) and code that only a type checker reads
have no sites; nor have arguments that change speed alone (`HINTS`), fallbacks for what the operating system
lacks (`getattr(os, ...)`) and floats up to `SLACK`, which only make room for rounding. A `<` becomes a `<=`
only beside an integer literal or a `len()`, because two computed floats are equal by accident only.
"""

from __future__ import annotations

import ast
import re
from dataclasses import dataclass
from pathlib import Path

OPERATORS = {
    "arithmetic": "+ and -, * and /, % and // and ** become another operator",
    "negation": "a comparison becomes its opposite",
    "boundary": "< and <=, > and >= are swapped",
    "logic": "`and` and `or` are swapped",
    "not": "a `not` or a unary minus is removed",
    "constant": "an integer grows by one, a float doubles, a truth value turns",
    "default": "the same, for the default of a parameter or a field",
    "index": "an index or the end of a slice moves by one",
    "extreme": "min and max, any and all, floor and ceil are swapped",
    "return": "a returned value becomes None",
    "deletion": "a statement is deleted: a call, an update, a raise, a continue or a break",
}
LOOKS = frozenset(
    "alpha borderaxespad bbox_to_anchor color dpi figsize fontsize labelpad labelsize length linestyle "
    "linewidth linewidths lw markeredgewidth markersize pad rotation zorder".split()
)
HINTS = frozenset("assume_sorted check_finite copy maxsize overwrite_x strict".split())
SLACK = 1e-6
ARITHMETIC = {
    ast.Add: ("+", "-"), ast.Sub: ("-", "+"), ast.Mult: ("*", "/"), ast.Div: ("/", "*"),
    ast.FloorDiv: ("//", "*"), ast.Mod: ("%", "*"), ast.Pow: ("**", "*"),
}  # fmt: skip
OPPOSITE = {
    ast.Lt: ("<", ">="), ast.LtE: ("<=", ">"), ast.Gt: (">", "<="), ast.GtE: (">=", "<"),
    ast.Eq: ("==", "!="), ast.NotEq: ("!=", "=="), ast.In: ("in", "not in"), ast.NotIn: ("not in", "in"),
    ast.Is: ("is", "is not"), ast.IsNot: ("is not", "is"),
}  # fmt: skip
NEIGHBOUR = {ast.Lt: ("<", "<="), ast.LtE: ("<=", "<"), ast.Gt: (">", ">="), ast.GtE: (">=", ">")}
EXTREMES = {
    "min": "max", "minimum": "maximum", "fmin": "fmax", "nanmin": "nanmax", "argmin": "argmax", "any": "all",
    "floor": "ceil",
}  # fmt: skip
EXTREMES |= {other: one for one, other in EXTREMES.items()}


@dataclass(frozen=True)
class Site:
    """Bytes `start` to `end` of a source, which `new` replaces."""

    operator: str
    line: int
    start: int
    end: int
    new: bytes


def mutated(source: bytes, site: Site) -> bytes:
    """Return the source with one site changed."""
    return source[: site.start] + site.new + source[site.end :]


def find_sites(source: bytes) -> list[Site]:
    """Return every site of a source, in the order of its text."""
    finder = _Finder(source)
    finder.visit(ast.parse(source))
    found = {(site.start, site.end, site.new): site for site in finder.sites}
    return [found[key] for key in sorted(found) if source[key[0] : key[1]] != key[2]]


def parses(source: bytes) -> bool:
    """Whether a source is valid Python."""
    try:
        ast.parse(source)
    except SyntaxError:
        return False
    return True


class _Finder(ast.NodeVisitor):
    """Collect the sites of one source."""

    def __init__(self, source: bytes) -> None:
        self.source = source
        self.sites: list[Site] = []
        self.kind = "constant"
        self.starts = [0]
        for line in source.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))

    # --- places in the text ---

    def start(self, node: ast.AST) -> int:
        return self.starts[node.lineno - 1] + node.col_offset

    def end(self, node: ast.AST) -> int:
        return self.starts[node.end_lineno - 1] + node.end_col_offset

    def add(self, operator: str, start: int, end: int, new: str) -> None:
        line = self.source.count(b"\n", 0, start) + 1
        self.sites.append(Site(operator, line, start, end, new.encode()))

    def replace(self, operator: str, node: ast.AST, new: str) -> None:
        self.add(operator, self.start(node), self.end(node), new)

    def between(self, operator: str, left: ast.AST, right: ast.AST, old: str, new: str) -> None:
        """Replace an infix word between two operands, comments there left out."""
        start, gap = self.end(left), self.source[self.end(left) : self.start(right)].decode()
        bare = re.sub(r"#[^\n]*", lambda comment: " " * len(comment[0]), gap)
        found = re.search(r"\s+".join(map(re.escape, old.split())), bare)
        if found and gap.isascii():
            self.add(operator, start + found.start(), start + found.end(), new)

    # --- skipped parts ---

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """The wording of a message."""

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        self.kind, before = "default", self.kind
        for child in node.body:
            self.visit(child)
        self.kind = before

    def visit_If(self, node: ast.If) -> None:
        test = ast.unparse(node.test)
        if "TYPE_CHECKING" not in test and "__name__" not in test:
            self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None and ast.unparse(node.annotation).split(".")[-1] != "TypeAlias":
            self.visit(node.value)

    def visit_Assign(self, node: ast.Assign) -> None:
        if ast.unparse(node.targets[0]) == "__all__":
            return
        if isinstance(node.targets[0], ast.Subscript | ast.Attribute) and self.kind == "body":
            self.replace("deletion", node, "pass")
        self.generic_visit(node)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.kind, before = "default", self.kind
        for value in (*node.args.defaults, *node.args.kw_defaults):
            if value is not None:
                self.visit(value)
        self.kind = "body"
        for child in node.body:
            self.visit(child)
        self.kind = before

    def visit_keyword(self, node: ast.keyword) -> None:
        if node.arg not in LOOKS | HINTS:
            self.visit(node.value)

    # --- operators ---

    def visit_BinOp(self, node: ast.BinOp) -> None:
        words = ARITHMETIC.get(type(node.op))
        if words and not (_text(node.left) or _text(node.right)):
            self.between("arithmetic", node.left, node.right, *words)
        self.generic_visit(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        words = ARITHMETIC.get(type(node.op))
        if words:
            self.between("arithmetic", node.target, node.value, words[0] + "=", words[1] + "=")
        self.replace("deletion", node, "pass")
        self.generic_visit(node)

    def visit_Compare(self, node: ast.Compare) -> None:
        operands = [node.left, *node.comparators]
        for left, word, right in zip(operands, node.ops, operands[1:], strict=False):
            self.between("negation", left, right, *OPPOSITE[type(word)])
            if type(word) in NEIGHBOUR and (_whole(left) or _whole(right)):
                self.between("boundary", left, right, *NEIGHBOUR[type(word)])
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        words = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
        for left, right in zip(node.values, node.values[1:], strict=False):
            self.between("logic", left, right, *words)
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.Not | ast.USub):
            self.add("not", self.start(node), self.start(node.operand), "")
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        operator = "constant" if self.kind == "body" else self.kind
        if isinstance(node.value, bool):
            self.replace(operator, node, str(not node.value))
        elif isinstance(node.value, int):
            self.replace(operator, node, str(node.value + 1))
        elif isinstance(node.value, float) and not 0 < node.value <= SLACK:
            self.replace(operator, node, repr(2 * node.value if node.value else 1.0))

    def visit_Subscript(self, node: ast.Subscript) -> None:
        self.visit(node.value)
        inner = node.slice
        parts = inner.elts if isinstance(inner, ast.Tuple) else [inner]
        for part in parts:
            ends = [part.lower, part.upper] if isinstance(part, ast.Slice) else [part]
            for end in ends:
                value = _literal(end)
                if value is not None:
                    self.replace("index", end, str(value + 1 if value >= 0 else value - 1))
                elif end is not None:
                    self.visit(end)

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func
        word = name.id if isinstance(name, ast.Name) else name.attr if isinstance(name, ast.Attribute) else ""
        if word in EXTREMES:
            end = self.end(name)
            self.add("extreme", end - len(word), end, EXTREMES[word])
        if word == "getattr" and ast.unparse(node.args[0]) == "os":
            return  # a flag that only some systems have: its fallback is never reached on the others
        if word not in ("cast", "TypeVar", "getLogger", "debug", "info"):
            self.generic_visit(node)

    def visit_Return(self, node: ast.Return) -> None:
        if node.value is not None and not (isinstance(node.value, ast.Constant) and node.value.value is None):
            self.replace("return", node, "return None")
            self.visit(node.value)

    def visit_Expr(self, node: ast.Expr) -> None:
        if isinstance(node.value, ast.Call) and not ast.unparse(node.value.func).startswith("log"):
            self.replace("deletion", node, "pass")
        self.generic_visit(node)

    def visit_Raise(self, node: ast.Raise) -> None:
        self.replace("deletion", node, "pass")
        self.generic_visit(node)

    def visit_Continue(self, node: ast.Continue) -> None:
        self.replace("deletion", node, "pass")

    def visit_Break(self, node: ast.Break) -> None:
        self.replace("deletion", node, "pass")


def _literal(node: ast.AST | None) -> int | None:
    """Return the integer that a literal, perhaps with a minus, stands for."""
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        value = _literal(node.operand)
        return None if value is None else -value
    if isinstance(node, ast.Constant) and type(node.value) is int:
        return node.value
    return None


def _text(node: ast.AST) -> bool:
    """Whether an operand is a string."""
    return isinstance(node, ast.JoinedStr) or (
        isinstance(node, ast.Constant) and isinstance(node.value, str | bytes)
    )


def _whole(node: ast.AST) -> bool:
    """Whether an operand counts: an integer literal or a `len()`."""
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
        return node.func.id == "len"
    return _literal(node) is not None


def lines_of(path: Path, site: Site) -> tuple[str, str]:
    """Return the line of a site before and after its change."""
    source = path.read_bytes()
    before, after = (text.decode().splitlines() for text in (source, mutated(source, site)))
    return before[site.line - 1].strip(), after[site.line - 1].strip()
