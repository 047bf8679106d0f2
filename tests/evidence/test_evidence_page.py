"""Pages of evidence, and how recordings are cut for them."""

import json

import pytest

from bench.evidence.__main__ import STUDIES, main
from bench.evidence.cuts import cut_copy, is_right, places
from bench.evidence.page import Page, Table, page_text, write_page


def page(**more):
    fields = {"name": "x", "title": "X", "about": "Done so.", "holds": True, "summary": "2 of 2"} | more
    return Page(**fields)


def test_a_page_names_date_commit_command_and_whether_it_holds():
    text = page_text(page(), "2026-01-31T12:00:00Z", "abc1234")
    assert text.startswith(
        "# X\n\nDone so.\n\n**Holds:** 2 of 2\n\nMade 2026-01-31T12:00:00Z from commit abc1234, on "
    )
    assert "by `python -m bench.evidence x`." in text
    assert "**Does not hold:** 2 of 2" in page_text(page(holds=False), "d", "c")


def test_cells_cannot_break_the_table():
    text = page_text(page(tables=(Table(("a", "b"), [["x|y", "one\ntwo"]], "Note."),)), "d", "c")
    assert text.endswith("| a | b |\n| --- | --- |\n| x\\|y | one two |\n\nNote.\n")


def test_a_page_is_written_under_its_name(tmp_path):
    assert write_page(page(), tmp_path).read_text(encoding="utf-8").startswith("# X\n")


def test_an_unknown_study_is_refused(capsys):
    with pytest.raises(SystemExit):
        main(["nosuch"])
    assert f"no such study: nosuch; there are {', '.join(STUDIES)}" in capsys.readouterr().err


def recording(tmp_path):
    folder = tmp_path / "healthy-x"
    folder.mkdir()
    (folder / "frames.log").write_text("".join(f"({k}.000000) can0 123#{k:02X} R\n" for k in range(30)))
    marks = [{"kind": "alive", "after_frames": k, "t_ns": k} for k in range(0, 30, 5)]
    lines = [*marks, {"kind": "end", "frames": 30, "marks": 6}]
    (folder / "marks.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))
    return folder


def test_places_are_the_same_each_time_and_hold_the_ends(tmp_path):
    folder = recording(tmp_path)
    size = (folder / "frames.log").stat().st_size
    chosen = places(folder, 10)
    assert chosen == places(folder, 10) == sorted(set(chosen))
    assert len(chosen) == 10
    assert chosen[0] == 0
    assert chosen[-1] < size


@pytest.mark.parametrize(("offset", "kept"), [(300, 3), (301, 7), (302, 2)])
def test_a_cut_keeps_marks_that_could_have_stood_on_disk(tmp_path, offset, kept):
    folder = recording(tmp_path)
    cut_copy(folder, tmp_path / "cut", offset)
    assert (tmp_path / "cut" / "frames.log").read_bytes() == (folder / "frames.log").read_bytes()[:offset]
    assert len((tmp_path / "cut" / "marks.jsonl").read_text().splitlines()) == kept


def test_only_a_faulty_recording_may_fail_when_cut_and_none_may_pass(tmp_path):
    healthy, faulty = tmp_path / "healthy-1", tmp_path / "fault-x"
    assert [is_right(healthy, word) for word in ("pass", "fail", "inconclusive", "error: x")] == [
        False,
        False,
        True,
        False,
    ]
    assert [is_right(faulty, word) for word in ("pass", "fail", "inconclusive")] == [False, True, True]
