"""What the README says works, as it stands there; and the developers' page leaves nothing out."""

import re
from pathlib import Path

import pytest

from pathgen.cli import COMMANDS

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
    assert len(folders) > 10 and len(modules) > 10 and len(benches) > 5


def test_files_that_developers_are_told_of_exist():
    places = [ROOT, HOUSE, ROOT / "tests", *(path for path in HOUSE.rglob("*") if path.is_dir())]
    places.append(ROOT / "tests" / "bench")
    named = set(re.findall(r"`([a-z_0-9./]+\.py)`", DEVELOPERS))
    assert [name for name in named if not any((place / name).is_file() for place in places)] == []
    assert len(named) > 40


def test_options_in_the_readme_exist():
    from pathgen.settings import Job

    known = {f"--{name.replace('_', '-')}" for name in Job.__struct_fields__}
    known |= {"--job", "--out", "--preview", "--summary", "--thickness", "--help", "--moves"}
    known |= {
        "--seen",
        "--places",
        "--arrays",
        "--workers",
        "--columns",
        "--cluster",
        "--figure",
        "--report",
        "--photo",
        "--corners",
        "--blank",
        "--stages",
        "--material",
        "--plot",
        "--panel",
        "--against",
        "--picture",
        "--error",
        "--smear",
        "--spread",
        "--lag",
    }
    assert set(re.findall(r"--[a-z][a-z-]+", README)) <= known


def test_the_study_file_is_one_and_says_all_there_is(tmp_path):
    from pathgen.study.load import StudyKeys, load_study

    (text,) = (text for text in re.findall(r"```toml\n(.*?)```", README, re.S) if "[factors]" in text)
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    study = load_study(tmp_path / "study.toml", folder=ROOT)
    assert len(study.cases) == 24 and study.factors == ("fill", "machine", "solidity", "limits")
    assert {key for key in StudyKeys.__struct_fields__ if key not in text} == set()
