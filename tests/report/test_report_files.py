"""Result files for programs, and the page for people."""

import csv
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

from bench.core.entry import Alive, StepMark
from bench.core.errors import BenchError, UsageError
from bench.core.frame import Frame
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS, Deviation, Discrepancy, Verdict
from bench.report import RESULT_FILES, Material, excerpts, step_texts, write_results
from bench.report.files import COLUMNS, discrepancies_csv, discrepancies_jsonl, verdict_json
from bench.report.html import html_report
from bench.report.junit import junit_xml

NASTY = '</script><img src=x onerror="alert(1)">&\x1b[2J\x00'


class Page(HTMLParser):
    """Counts elements, and fails on one that is closed out of order."""

    EMPTY = ("meta", "img", "br")

    def __init__(self, text):
        super().__init__()
        self.seen, self.open, self.words = [], [], []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def nasty(material):
    root = replace(
        material.verdict.discrepancies[0].root, seen=NASTY, expected=NASTY, cause=NASTY, subject=NASTY
    )
    verdict = replace(
        material.verdict,
        discrepancies=(Discrepancy(1, NASTY, root, (root,), (NASTY,)),),
        scope=NASTY,
        tested={NASTY: NASTY},
        not_tested={NASTY + "2": NASTY},
        detection={NASTY: NASTY},
    )
    return replace(material, verdict=verdict, title=NASTY, facts={NASTY: NASTY})


def test_the_verdict_document_has_outcome_status_and_instants_as_integers(material):
    document = json.loads(verdict_json(material))
    assert (document["outcome"], document["status"], document["boat"]) == ("fail", 1, "Kittiwake")
    assert document["discrepancies"][0]["root"]["t_ns"] == 12_632_000_000
    assert document["not_tested"]["trip"] == "no fixture"


def test_jsonl_has_one_line_for_each_root_and_consequence(material):
    lines = [json.loads(line) for line in discrepancies_jsonl(material).splitlines()]
    assert [line["role"] for line in lines] == ["root", *["consequence"] * 12, "root"]
    assert lines[0]["subject"] == "bilge_aft"
    assert lines[-1]["number"] == 2


def test_csv_opens_with_its_columns_and_counts_seconds_from_the_start(material):
    rows = list(csv.DictReader(io.StringIO(discrepancies_csv(material))))
    assert tuple(rows[0]) == COLUMNS
    assert (rows[0]["circuit"], rows[0]["noticed_s"], rows[0]["done_s"]) == (
        "bilge_aft",
        "2.632000",
        "2.500000",
    )
    assert rows[-1]["how_sure"] == "by absence: no frame showed it in time"


def test_a_text_that_a_spreadsheet_would_run_is_disarmed(material):
    root = Deviation("level", "level:x", "x", 0, expected="-12.5", seen="=HYPERLINK(1)")
    made = replace(material, verdict=Verdict(FAIL, (Discrepancy(1, "x", root),)))
    row = next(csv.DictReader(io.StringIO(discrepancies_csv(made))))
    assert (row["expected"], row["seen"]) == ("-12.5", "'=HYPERLINK(1)")


def test_junit_keeps_failures_errors_and_skips_apart(material):
    suite = Xml.fromstring(junit_xml(material).encode()).find("testsuite")
    of = {
        tag: [case.get("name") for case in suite if case.find(tag) is not None]
        for tag in ("failure", "error", "skipped")
    }
    assert of["failure"] == ["bilge_aft", "bilge_fwd", "horn"]
    assert of["error"] == ["washdown"]
    assert of["skipped"] == ["usb_outlets", "trip", "by hand"]
    assert [suite.get(k) for k in ("tests", "failures", "errors", "skipped")] == ["9", "3", "1", "3"]


def test_junit_of_a_pass_has_neither_failure_nor_error():
    text = junit_xml(Material("x", Verdict(PASS, tested={"horn": "on"})))
    assert 'tests="1" failures="0" errors="0" skipped="0"' in text


@pytest.mark.parametrize(("outcome", "attribute"), [(FAIL, "failures"), (INCONCLUSIVE, "errors")])
def test_junit_is_never_green_when_the_verdict_is_not(outcome, attribute):
    suite = Xml.fromstring(junit_xml(Material("x", Verdict(outcome, tested={"horn": "on"}))).encode()).find(
        "testsuite"
    )
    assert suite.get(attribute) == "1"


def test_junit_stays_legal_xml_whatever_a_spec_says(material):
    suite = Xml.fromstring(junit_xml(nasty(material)).encode()).find("testsuite")
    assert suite.get("failures") == "1"


def test_the_page_tells_the_verdict_first_and_everything_after(material):
    page = Page(html_report(material))
    order = ["Kittiwake", "Fail", "22 of 24 circuits", "Discrepancies", "In doubt", "Tested", "Circuits",
             "Controls", "Not tested", "Smallest fault", "Cautions", "This session"]  # fmt: skip
    places = [page.text.index(word, page.text.index("Fail") if k else 0) for k, word in enumerate(order)]
    assert places[1:] == sorted(places[1:])
    assert "4321 ◂" in page.text
    assert "12 that follow from it" in page.text


def test_the_page_fetches_nothing_and_runs_nothing(material):
    text = html_report(nasty(material))
    page = Page(text)
    assert not {"script", "img", "link", "iframe", "object"} & {tag for tag, _ in page.seen}
    assert not re.search(r"https?:|url\(|@import", text)
    assert not any(
        name.startswith("on") or name in ("src", "href") for _, attrs in page.seen for name in attrs
    )
    assert "\x1b" not in text and "\x00" not in text


def test_the_page_names_a_discrepancy_in_the_table_of_what_was_tested(material):
    page = Page(html_report(material))
    assert "bilge_aft on and off discrepancy #1" in page.text
    assert "deck_fwd on and off as agreed" in page.text


def test_all_result_files_are_written_whole_and_replace_older_ones(material, tmp_path):
    (tmp_path / "verdict.json").write_text("old")
    written = write_results(tmp_path, material)
    assert [path.name for path in written] == list(RESULT_FILES)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(RESULT_FILES)
    assert json.loads((tmp_path / "verdict.json").read_text())["outcome"] == "fail"


def test_a_folder_that_cannot_be_written_is_the_operators_matter(material, tmp_path, monkeypatch):
    def full(*_args, **_options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(BenchError, match=r"cannot write: No space left .* - is the disk full, or the folder"):
        write_results(tmp_path, material)


def test_a_file_in_the_place_of_the_folder_is_the_callers_matter(material, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match=r"cannot write: .* - name another place"):
        write_results(tmp_path / "file", material)


def test_an_excerpt_holds_the_frames_around_the_evidence():
    frames = [Frame(k * 1000, 0x18FF2021, bytes([k])) for k in range(30)]
    entries = [StepMark(0, 3, "press"), *frames[:10], Alive(10_500), *frames[10:]]
    verdict = Verdict(FAIL, (
        Discrepancy(1, "a", Deviation("level", "level:a", "a", 20_000, "0", "1", frame_index=20)),
        Discrepancy(2, "b", Deviation("missing", "state:b", "b", 4_500, "on", "off")),
    ))  # fmt: skip
    found = excerpts(enumerate(frames), verdict, lambda frame, signal: f"{signal} is {frame.data[0]}")
    assert [line.index for line in found[1]] == list(range(14, 24))
    assert [line.index for line in found[1] if line.is_evidence] == [20]
    assert found[1][6].text == "18FF2021#14"
    assert found[1][6].means == "level:a is 20"
    assert [line.index for line in found[2]] == list(range(9))
    assert step_texts(entries) == {3: "press"}
