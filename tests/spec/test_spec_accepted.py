"""The file of accepted discrepancies: complaints with line and column, all at once."""

import pytest

from bench.core.errors import SpecError
from bench.spec import load_spec
from bench.spec.accepted import match_accepted, parse_accepted

HEAD = "hardstand_accepted: 1\naccepted:\n"
ENTRY = "  - {subject: horn, kind: late, reason: slow relay, who: A. Builder, expires: 2027-01-31}\n"


def complaints(text):
    with pytest.raises(SpecError) as caught:
        parse_accepted(text, "a.yaml")
    return [c.render() for c in caught.value.complaints]


def test_an_entry_is_read_with_its_line():
    entry, other = parse_accepted(
        HEAD + ENTRY + ENTRY.replace("horn", "deck_fwd").replace("}", ", also: [deck_aft]}")
    ).entries
    assert (entry.subject, entry.kind, entry.expires, entry.line, entry.also) == (
        "horn",
        "late",
        "2027-01-31",
        3,
        (),
    )
    assert (other.line, other.also) == (4, ("deck_aft",))


@pytest.mark.parametrize("day", ["2027-02-29", "2027-1-31", "31.01.2027", "20270131", "soon", "2027-W05-1"])
def test_a_day_is_a_day_of_the_calendar(day):
    (said,) = complaints(HEAD + ENTRY.replace("2027-01-31", day))
    assert said.startswith("a.yaml:3:79: error:") and "no day - expected a day as 2027-03-31" in said


def test_everything_wrong_is_told_at_once():
    said = complaints(HEAD + "  - {subject: horn, kind: lat, expires: never, becuase: x}\n")
    assert [line.partition(": error: ")[0] for line in said] == [
        "a.yaml:3:5",
        "a.yaml:3:27",
        "a.yaml:3:41",
        "a.yaml:3:48",
    ]
    assert any('did you mean "late"' in line for line in said)


def test_the_same_twice_is_refused():
    (said,) = complaints(HEAD + ENTRY + ENTRY)
    assert "a.yaml:4" in said and "horn late is accepted twice, first on line 3" in said


def test_another_kind_of_file_is_refused():
    assert "this is a spec, not a file of accepted discrepancies" in complaints("hardstand: 1\n")[0]
    assert "newer than this program reads" in complaints("hardstand_accepted: 2\n")[0]


def test_a_subject_that_the_spec_does_not_have_is_refused():
    from bench.cli.boats import spec_path

    spec = load_spec(spec_path("demo")).spec
    match_accepted(parse_accepted(HEAD + ENTRY), spec)
    with pytest.raises(SpecError, match='there is no circuit, control, panel or box "hron"'):
        match_accepted(parse_accepted(HEAD + ENTRY.replace("horn", "hron")), spec)
