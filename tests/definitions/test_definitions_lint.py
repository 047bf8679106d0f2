"""Faulty DBC files: one clear complaint each, with its line."""
# ruff: noqa: E501  (texts as their readers see them, whole)

import pytest

from bench.core.errors import DefinitionError
from bench.definitions.lint import lint_dbc
from bench.definitions.load_dbc import load_database

HEAD = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: S R\n\n'  # 8 lines
SIGNAL = ' SG_ A : 0|8@1+ (1,0) [0|0] "" R\n'


def complaints(folder, body, head=HEAD):
    path = folder / "bad.dbc"
    path.write_bytes(body if isinstance(body, bytes) else (head + body).encode())
    with pytest.raises(DefinitionError) as caught:
        load_database(path)
    return [c.render().replace(f"{path}", "bad.dbc") for c in caught.value.complaints]


CASES = [
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + "\nBO_ 10 N: 8 S\n",
        'bad.dbc:12: error: message "N" has the identifier of "M" (line 9)',
    ),
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + "\nBO_ 11 M: 8 S\n",
        'bad.dbc:12: error: a message "M" is already there (line 9)',
    ),
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + ' SG_ A : 8|8@1+ (1,0) [0|0] "" R\n',
        'bad.dbc:11: error: message "M" already has a signal "A" (line 10)',
    ),
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + ' SG_ B : 7|2@1+ (1,0) [0|0] "" R\n',
        'bad.dbc:11: error: signal "B" overlaps "A" (line 10) in "M"',
    ),
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + ' SG_ B : 0|9@0+ (1,0) [0|0] "" R\n',
        'bad.dbc:11: error: signal "B" overlaps "A" (line 10) in "M"',
    ),
    (
        'BO_ 10 M: 2 S\n SG_ A : 9|8@1+ (1,0) [0|0] "" R\n',
        'bad.dbc:10: error: signal "A" does not fit into the 2 bytes of "M"',
    ),
    (
        'BO_ 10 M: 2 S\n SG_ A : 14|9@0+ (1,0) [0|0] "" R\n',
        'bad.dbc:10: error: signal "A" does not fit into the 2 bytes of "M"',
    ),
    (
        'BO_ 10 M: 2 S\n SG_ A : 0|8@1+ (0,3) [0|0] "" R\n',
        'bad.dbc:10: error: signal "A" has the factor 0: every value would read alike',
    ),
    (
        'BO_ 10 M: 2 S\n SG_ A : 0|0@1+ (1,0) [0|0] "" R\n',
        'bad.dbc:10: error: signal "A" has 0 bits - expected 1 to 64',
    ),
    (
        'BO_ 10 M: 8 S\n SG_ A m3 : 0|8@1+ (1,0) [0|0] "" R\n',
        'bad.dbc:10: error: signal "A" is multiplexed (m3), but "M" has no multiplexer - expected one signal of it marked M',
    ),
    (
        "BO_ 4000 M: 8 S\n" + SIGNAL,
        'bad.dbc:9: error: message "M" has the identifier 4000, which is none - expected 0 to 2047, or 2147483648 plus a 29-bit identifier',
    ),
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + '\nVAL_ 10 A 0 "off" 1 "off" ;\n',
        'bad.dbc:12: error: "A" labels both 0 and 1 "off"',
    ),
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + '\nVAL_ 10 A 1 "off" 1 "on" ;\n',
        'bad.dbc:12: error: "A" labels the value 1 twice',
    ),
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + '\nVAL_ 10 a 1 "off" ;\n',
        'bad.dbc:12: error: value labels for a signal "a" that "M" does not have - did you mean "A"?',
    ),
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + '\nVAL_ 11 A 1 "off" ;\n',
        "bad.dbc:12: error: value labels for a message 11 that is not there",
    ),
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + '\nCM_ BO_ 10 "a long com',
        "bad.dbc:12: error: a text in quotes never ends: the file is cut off here",
    ),
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + '\nVAL_ 10 A 1 "off"',
        'bad.dbc:12: error: this VAL_ line has no end: the file is cut off here - expected ";" at its end',
    ),
    (
        "BO_ 10 M: 8 S\n SG_ A : 0|8@1+ (1,",
        'bad.dbc:10: error: this signal line cannot be read: the file is cut off here - expected SG_ NAME : START|SIZE@ORDER SIGN (FACTOR,OFFSET) [MIN|MAX] "UNIT" RECEIVERS',
    ),
    (
        "BO_ 10 M: 8 S\n" + SIGNAL + "\nBO_ 11 N",
        "bad.dbc:12: error: this message line cannot be read: the file is cut off here - expected BO_ ID NAME: LENGTH SENDER",
    ),
    ("", "bad.dbc:1: error: the file defines no message - expected BO_ lines with SG_ lines beneath them"),
]


@pytest.mark.parametrize(("body", "text"), CASES, ids=[t.split("error: ")[1][:40] for _, t in CASES])
def test_faulty_file_gets_one_complaint_with_its_line(tmp_path, body, text):
    assert complaints(tmp_path, body) == [text]


def test_empty_file(tmp_path):
    assert complaints(tmp_path, b"  \n") == ["bad.dbc: error: the file is empty"]


def test_file_that_is_no_text(tmp_path):
    assert complaints(tmp_path, b"\x7fELF\x02\x01\x00\x00") == [
        "bad.dbc: error: this is not a text file - expected message definitions as text"
    ]


def test_all_complaints_come_together(tmp_path):
    body = "".join(case for case, _ in CASES[5:8])
    assert len(complaints(tmp_path, body)) >= 5  # three faults of signals, and identifier and name twice each


def test_what_only_cantools_refuses_is_one_definition_error(tmp_path):
    got = complaints(tmp_path, "BO_ 10 M: 8 S\n" + SIGNAL + "\nNONSENSE here\n")
    assert len(got) == 1
    assert got[0].startswith("bad.dbc:12: error: the message definitions cannot be read: ")


def test_long_message_is_a_warning_only():
    _, found = lint_dbc(HEAD + "BO_ 10 M: 12 S\n" + SIGNAL, "x.dbc")
    assert [c.render() for c in found] == [
        'x.dbc:9: warning: message "M" has 12 bytes; a classic CAN frame holds 8 - the bench cannot use its signals'
    ]


def test_pages_of_a_multiplexed_message_may_overlap_each_other_but_not_the_plain_signals():
    body = (
        'BO_ 10 M: 8 S\n SG_ P M : 0|8@1+ (1,0) [0|0] "" R\n'
        ' SG_ A m0 : 8|8@1+ (1,0) [0|0] "" R\n SG_ B m1 : 8|8@1+ (1,0) [0|0] "" R\n'
    )
    assert lint_dbc(HEAD + body, "x.dbc")[1] == []
    _, found = lint_dbc(HEAD + body + ' SG_ C m1 : 4|8@1+ (1,0) [0|0] "" R\n', "x.dbc")
    assert [c.line for c in found] == [13]


@pytest.mark.parametrize("name", ["switchbox.dbc", "untidy.dbc"])
def test_shipped_files_are_clean(dbc_folder, name):
    path = dbc_folder / name
    assert lint_dbc(path.read_text(encoding="utf-8"), name)[1] == []


@pytest.mark.slow
@pytest.mark.parametrize("name", ["switchbox.dbc", "untidy.dbc"])
def test_file_cut_anywhere_never_ends_in_another_exception(dbc_folder, tmp_path, name):
    text = (dbc_folder / name).read_text(encoding="utf-8")
    refused = 0
    for k in range(24):
        path = tmp_path / f"{k}.dbc"
        path.write_text(text[: len(text) * k // 24 + 7], encoding="utf-8")
        try:
            load_database(path)
        except DefinitionError as e:
            refused += 1
            assert all(c.path == str(path) for c in e.complaints)
    assert refused >= 12
