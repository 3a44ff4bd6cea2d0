"""The journal against crashes at every byte."""

import pytest

from pathgen.errors import PathgenError
from pathgen.study.journal import Journal
from pathgen.study.results_table import Head

HEAD = Head("title = 'a'\n", "pathgen 0", (("wall.npy", "12"),))
ROWS = {3: ("3", 'a "b", c', ""), 1: ("1", "Ω\t\x0b", "1.5"), 2: ("2", "", "no room; allowed: 3")}


def filled(path):
    with Journal(path, HEAD, 3) as journal:
        for case, cells in ROWS.items():
            journal.append(case, cells)
    return path.read_bytes()


def test_cut_anywhere_it_keeps_whole_rows_and_goes_on(tmp_path, monkeypatch):
    monkeypatch.setattr("os.fsync", lambda number: None)  # a disk's time, some hundreds of times over
    whole = filled(tmp_path / "whole.part")
    first = whole.index(b"rows:\n") + 6
    ends = [i + 1 for i in range(first, len(whole)) if whole[i : i + 1] == b"\n"]
    path = tmp_path / "cut.part"
    for length in range(len(whole) + 1):
        path.write_bytes(whole[:length])
        if 0 < length < first:  # not even the head is whole: nothing is lost, it begins anew
            with Journal(path, HEAD, 3) as journal:
                assert journal.rows == {}
            assert path.read_bytes() == whole[:first]
            continue
        with Journal(path, HEAD, 3) as journal:
            done = sum(end <= length for end in ends)
            assert journal.rows == dict(list(ROWS.items())[:done])
            for case in list(ROWS)[done:]:
                journal.append(case, ROWS[case])
        assert path.read_bytes() == whole


@pytest.mark.parametrize("at", [-1, -3, -12])
def test_a_damaged_row_is_made_again(tmp_path, at):
    whole = bytearray(filled(tmp_path / "a.part"))
    whole[at] ^= 1
    (tmp_path / "a.part").write_bytes(whole)
    with Journal(tmp_path / "a.part", HEAD, 3) as journal:
        assert journal.rows == {case: ROWS[case] for case in (3, 1)}


def test_it_belongs_to_one_study(tmp_path):
    filled(tmp_path / "a.part")
    for other in (Head("b\n", HEAD.versions, HEAD.files), Head(HEAD.text, "pathgen 1", HEAD.files)):
        with pytest.raises(PathgenError, match="another study|made with pathgen 0; this machine"):
            Journal(tmp_path / "a.part", other, 3)
    with Journal(tmp_path / "a.part", HEAD, 3) as journal:
        assert len(journal.rows) == 3


def test_nowhere_to_write(tmp_path):
    with pytest.raises(PathgenError, match="cannot write"):
        Journal(tmp_path / "no" / "a.part", HEAD, 3)
