"""The README's examples, commands, links and options work; the developers' page covers every folder."""

import re
import shlex
from importlib import import_module
from pathlib import Path

import pytest
from click.exceptions import Exit, MissingParameter

from pathgen.cli import COMMANDS, run

ROOT = Path(__file__).parents[1]
README, DEVELOPERS = ((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md"))
HOUSE = ROOT / "pathgen"


def test_the_python_example_runs(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (code,) = (code for code in re.findall(r"```python\n(.*?)```", README, re.S) if "waves" in code)
    exec(compile(code, "README.md", "exec"), {})
    assert (tmp_path / "waves.gcode").stat().st_size > 1000
    assert (tmp_path / "waves.png").read_bytes().startswith(b"\x89PNG")
    seconds, metres, beads = capsys.readouterr().out.split()
    assert int(seconds) > 0 and float(metres) > 0 and int(beads) > 2


def test_the_first_words_are_the_job():
    paragraph = README.split("\n\n")[1]
    assert paragraph.startswith("pathgen turns a photograph into")


@pytest.mark.parametrize("link", re.findall(r"\]\(([^)#]+)\)", README + DEVELOPERS))
def test_links_lead_somewhere(link):
    assert (ROOT / link).exists()


def test_sections_that_links_lead_to_exist():
    heads = re.findall(r"^#+ (.*)$", README, re.M)
    anchors = {re.sub(r"[^a-z0-9 -]", "", head.lower()).replace(" ", "-") for head in heads}
    assert set(re.findall(r"\]\(#([^)]+)\)", README)) <= anchors


def test_the_readme_names_every_command():
    assert all(f"pathgen {name}" in README for name in COMMANDS)


def test_developers_are_told_of_every_folder_module_and_measurement():
    folders = {f"`{path.name}/`" for path in HOUSE.iterdir() if (path / "__init__.py").is_file()}
    modules = {f"`{path.name}`" for path in HOUSE.glob("[a-z]*.py")}
    benches = {f"`{path.name}" for path in (ROOT / "tests" / "bench").glob("*.py")}
    assert {name for name in folders | modules | benches if name not in DEVELOPERS} == set()
    assert len(folders) > 10 and len(modules) == 2 and len(benches) > 5


def test_files_that_developers_are_told_of_exist():
    places = [ROOT, HOUSE, ROOT / "tests", *(path for path in HOUSE.rglob("*") if path.is_dir())]
    places.append(ROOT / "tests" / "bench")
    named = set(re.findall(r"`([a-z_0-9./]+\.py)`", DEVELOPERS))
    assert [name for name in named if not any((place / name).is_file() for place in places)] == []
    assert len(named) > 40


def commands_in(text):
    """Every `pathgen …` of a document: in its shell blocks, and between single backticks."""
    blocks = re.findall(r"```sh\n(.*?)```", text, re.S)
    lines = [part.split("#")[0] for block in blocks for part in re.split(r"&&|[|\n]", block)]
    inline = re.findall(r"(?<!`)`(pathgen [^`]+)`(?!`)", re.sub(r"```.*?```", "", text, flags=re.S))
    found = [line.split(">")[0].strip() for line in (*lines, *inline)]
    return [line for line in found if line.startswith("pathgen ") and "COMMAND" not in line]


@pytest.mark.parametrize("path", ["README.md", "examples/README.md", "DEVELOPERS.md"])
def test_every_command_is_one_that_is_understood(path):
    """All but running: names, options and values are taken as the command line takes them."""
    lines = commands_in((ROOT / path).read_text(encoding="utf-8"))
    assert len(lines) >= 2
    for line in lines:
        name, *args = shlex.split(line)[1:]
        if name.startswith("--"):
            assert run([name]) == 0
            continue
        command = getattr(import_module(f"pathgen.cli.{name}"), f"{name}_command")
        try:
            command.make_context(name, [*args], resilient_parsing=not args)
        except MissingParameter:  # an option told by itself: "`pathgen panel --report page.html` writes …"
            command.make_context(name, [*args, "--out", "a.gcode"])
        except Exit:
            assert args == ["--help"]


def test_options_in_the_readme_exist():
    """Each is one of a command's."""
    known = {"--help", "--verbose", "--version"}
    for name in COMMANDS:
        command = getattr(import_module(f"pathgen.cli.{name}"), f"{name}_command")
        known |= {option for param in command.params for option in param.opts}
    own = re.sub(r"^ *python tests/.*$", "", README, flags=re.MULTILINE)  # scripts have their own options
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", own)) <= known


def test_the_study_file_is_one_and_says_all_there_is(tmp_path):
    from pathgen.study.study_file import StudyKeys, load_study

    (text,) = (text for text in re.findall(r"```toml\n(.*?)```", README, re.S) if "[factors]" in text)
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    study = load_study(tmp_path / "study.toml", folder=ROOT)
    assert len(study.cases) == 24 and study.factors == ("fill", "machine", "packing", "limits")
    assert {key for key in StudyKeys.__struct_fields__ if key not in text} == set()
