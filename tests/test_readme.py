"""What the README says works, as it stands there."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


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


@pytest.mark.parametrize("link", re.findall(r"\]\(([^)#]+)\)", README))
def test_links_lead_somewhere(link):
    assert (ROOT / link).exists()


def test_options_in_the_readme_exist():
    from pathgen.settings import Job

    known = {f"--{name.replace('_', '-')}" for name in Job.__struct_fields__}
    known |= {"--job", "--out", "--preview", "--summary", "--thickness", "--help", "--moves"}
    known |= {
        "--seen",
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
