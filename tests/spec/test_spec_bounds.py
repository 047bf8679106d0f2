# ruff: noqa: E501 - whole sentences are compared
"""Files that are no spec at all, or are made to hurt: one clear complaint each, never a traceback."""

import random

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.core.errors import SpecError
from bench.data import boat_path
from bench.spec import Loaded, load_spec, parse_spec
from bench.spec.nodes import MAX_ALIASES, MAX_BYTES, MAX_DEPTH, MAX_NODES

TEXT = boat_path("kittiwake").read_text(encoding="utf-8")


def refusal(text):
    with pytest.raises(SpecError) as caught:
        parse_spec(text, "f.yaml")
    assert len(caught.value.complaints) == 1
    return caught.value.complaints[0].render()


def file_refusal(tmp_path, content):
    path = tmp_path / "f.yaml"
    path.write_bytes(content)
    with pytest.raises(SpecError) as caught:
        load_spec(path)
    assert len(caught.value.complaints) == 1
    return caught.value.complaints[0].render().replace(str(path), "f.yaml")


@pytest.mark.parametrize("text", ["", "\n\n", "# only a comment\n", "   "])
def test_an_empty_file_says_what_is_due(text):
    assert refusal(text) == 'f.yaml:1:1: error: the spec is empty - expected "hardstand: 1" as its first key'


def test_an_empty_document_says_what_is_due():
    found = refusal("---\n...\n")
    assert found.endswith('error: nothing where a spec is due - expected "hardstand: 1" as the first key')


CASES = {
    "boat: {name: X}\nhardstand: 1\n": (
        'f.yaml:1:1: error: the format\'s version does not come first - expected "hardstand: 1" as the first key'
    ),
    "hardstand: 2\nboat: {unknown: 1}\n": (
        "f.yaml:1:12: error: this spec is of version 2, newer than this program reads - expected hardstand: 1 - "
        "install a newer hardstand"
    ),
    "hardstand: one\n": 'f.yaml:1:12: error: "one" is no version of this format - expected hardstand: 1',
    "hardstand: 01\n": 'f.yaml:1:12: error: "01" is no version of this format - expected hardstand: 1',
    "hardstand: [1]\n": "f.yaml:1:12: error: a list is no version of this format - expected hardstand: 1",
    "hardstand_bench: 1\n": (
        "f.yaml:1:1: error: this is a bench profile, not a spec - expected a file that begins \"hardstand: 1\""
    ),
    "just text": (
        'f.yaml:1:1: error: "just text" where a spec is due - expected "hardstand: 1" as the first key'
    ),
    "- a\n- b\n": 'f.yaml:1:1: error: a list where a spec is due - expected "hardstand: 1" as the first key',
    "{}": 'f.yaml:1:1: error: a table of keys where a spec is due - expected "hardstand: 1" as the first key',
    "hardstand: 1\nboat:\n\tname: X\n": (
        "f.yaml:3:1: error: a tab cannot indent - expected spaces - replace tabs by spaces"
    ),
    "hardstand: 1\nboat: a: b\n": (
        "f.yaml:2:8: error: this is not YAML: mapping values are not allowed in this context - "
        "check the indentation and the colons of this line and the one before"
    ),
    "hardstand: 1\nboat: @x\n": (
        "f.yaml:2:7: error: character '@' cannot start a value - put the value in quotes"
    ),
    "hardstand: 1\nboat: {name: X\n": (
        "f.yaml:3:1: error: this is not YAML: did not find expected ',' or '}' while parsing a flow mapping - "
        "it begins in line 2"
    ),
    "hardstand: 1\n---\nhardstand: 1\n": (
        "f.yaml:2:1: error: a second document begins here - expected one document"
    ),
    "hardstand: 1\nboat: *b\n": "f.yaml:2:7: error: *b names nothing - expected an anchor &b before it",
    "hardstand: 1\nboat: &b {x: *b}\n": (
        "f.yaml:2:14: error: *b stands inside what it names - expected an alias of something complete"
    ),
    "hardstand: 1\na: &b 1\nc: &b 2\n": (
        "f.yaml:3:4: error: the anchor &b is set twice - expected each anchor once - rename one"
    ),
    "hardstand: 1\nboat: {name: \x07}\n": "f.yaml:2:14: error: character U+0007 is not allowed - delete it",
    "hardstand: 1\nboat: {name: \ud800}\n": (
        "f.yaml:2:14: error: character U+D800 is not text - save the file as UTF-8"
    ),
    "hardstand: 1\nboat: !!python/object:os.system {}\n": (
        "f.yaml:2:7: error: the tag tag:yaml.org,2002:python/object:os.system means nothing here - "
        "expected a plain value - delete the tag"
    ),
}  # fmt: skip


@pytest.mark.parametrize("text", CASES)
def test_a_file_that_is_no_spec_gets_one_complaint(text):
    assert refusal(text) == CASES[text]


@pytest.mark.parametrize("text", [t for t in CASES if "not YAML" not in CASES[t]])
def test_the_parser_in_plain_python_says_the_same(text, monkeypatch):
    monkeypatch.setattr("bench.spec.nodes._PARSER", yaml.SafeLoader)
    assert refusal(text).split(" - ")[0] == CASES[text].split(" - ")[0]


@pytest.mark.slow
def test_the_parser_in_plain_python_gives_the_same_spec(monkeypatch):
    fast = parse_spec(TEXT).spec
    monkeypatch.setattr("bench.spec.nodes._PARSER", yaml.SafeLoader)
    assert parse_spec(TEXT).spec == fast


@pytest.mark.parametrize("deep", [MAX_DEPTH + 1, 900, 100_000])
@pytest.mark.parametrize("pair", ["[]", "{}"])
def test_nesting_without_end_is_refused(deep, pair):
    inner = ("a: " if pair == "{}" else "").join([pair[0]] * deep)
    found = refusal(f"hardstand: 1\nboat: {inner}")
    assert ": error: nested too deeply - expected at most 24 levels" in found


def test_nesting_by_indentation_is_refused():
    text = "hardstand: 1\n" + "".join(f"{' ' * n}a:\n" for n in range(200))
    assert "nested too deeply" in refusal(text)


def test_aliases_that_explode_are_refused():
    rows = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    rows += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 9)]
    found = refusal("hardstand: 1\n" + "\n".join(rows))
    assert f"aliases blow the spec up - expected at most {MAX_NODES:,} values when written out" in found


def test_too_many_aliases_are_refused():
    found = refusal("hardstand: 1\na: &a x\nb: [" + ", ".join(["*a"] * (MAX_ALIASES + 1)) + "]")
    assert f"too many aliases - expected at most {MAX_ALIASES}" in found


def test_aliases_cannot_pass_the_depth_bound_in_steps():
    rows = ["a0: &a0 [x]"] + [f"a{n}: &a{n} [*a{n - 1}]" for n in range(1, 40)]
    assert "nested too deeply" in refusal("hardstand: 1\n" + "\n".join(rows))


@pytest.mark.slow
def test_a_file_with_too_many_values_is_refused():
    found = refusal("hardstand: 1\na: [" + "x," * (MAX_NODES + 1) + "]")
    assert f"the spec holds too much - expected at most {MAX_NODES:,} values" in found


def test_a_huge_file_is_refused_before_it_is_parsed(tmp_path):
    found = file_refusal(tmp_path, b"#" * (MAX_BYTES + 1))
    assert (
        found
        == "f.yaml:1:1: error: the spec is too big - expected at most 2,000,000 bytes - is this the right file?"
    )
    assert "too big" in refusal("#" * (MAX_BYTES + 1))


def test_a_file_that_is_not_utf_8_is_refused_with_the_place_of_the_byte(tmp_path):
    found = file_refusal(tmp_path, "hardstand: 1\nboat: {name: Möwe}\n".encode("latin-1"))
    assert (
        found
        == "f.yaml:2:15: error: byte 0xF6 is not UTF-8 - expected text in UTF-8 - save the file as UTF-8"
    )


def test_a_byte_order_mark_and_windows_line_ends_are_no_fault(tmp_path):
    path = tmp_path / "f.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode())
    assert load_spec(path).spec.circuits == parse_spec(TEXT).spec.circuits


def test_a_missing_file_and_a_folder_are_named(tmp_path):
    with pytest.raises(SpecError, match="no such file - check the path; `demo` names the demo boat"):
        load_spec(tmp_path / "none.yaml")
    with pytest.raises(SpecError, match="this is a folder, not a spec"):
        load_spec(tmp_path)
    with pytest.raises(SpecError, match="cannot read the file"):
        load_spec("a\0b")


def outcome(text):
    """Loaded, or complaints that each have a line; anything else is a defect."""
    try:
        loaded = parse_spec(text)
    except SpecError as error:
        assert error.complaints
        assert all(c.line or c.text.startswith("and ") for c in error.complaints), error
        return error
    assert isinstance(loaded, Loaded)
    return loaded


@pytest.mark.slow
@given(st.binary(max_size=300))
@settings(max_examples=150, deadline=None, derandomize=True)
def test_random_bytes_give_a_spec_error(tmp_path_factory, raw):
    path = tmp_path_factory.mktemp("bytes") / "f.yaml"
    path.write_bytes(raw)
    with pytest.raises(SpecError) as caught:
        load_spec(path)
    assert all(c.line for c in caught.value.complaints)


@pytest.mark.slow
@given(st.text(alphabet="{}[]:,&*!|>-#'\"%@`? \n\tab10.~", max_size=80))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_random_yaml_marks_behind_the_version_give_a_spec_error(tail):
    assert isinstance(outcome("hardstand: 1\n" + tail), SpecError)


MARKS = [
    "{",
    "}",
    "[",
    "]",
    ":",
    ",",
    "\n",
    "  ",
    "- ",
    "&a ",
    "*a ",
    "1e9",
    "off",
    "~",
    '"',
    "'",
    "|",
    "\t",
    "horn",
    "0",
]


@pytest.mark.slow
@given(st.integers(0, 2**32))
@settings(max_examples=120, deadline=None, derandomize=True)
def test_random_mutations_of_the_demo_give_a_spec_or_complaints_with_a_line(seed):
    draw = random.Random(seed)
    text = TEXT
    for _ in range(draw.randint(1, 4)):
        at = draw.randrange(len(text))
        end = at + draw.choice([0, 0, 1, 2, 5, 30, 200])
        text = text[:at] + draw.choice(["", *MARKS, text[at : at + 40]]) + text[end:]
    outcome(text)


@pytest.mark.slow
@given(st.integers(0, 2**32))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_whole_lines_lost_doubled_or_swapped_give_a_spec_or_complaints_with_a_line(seed):
    draw = random.Random(seed)
    lines = TEXT.splitlines()
    for _ in range(draw.randint(1, 3)):
        a, b = draw.randrange(len(lines)), draw.randrange(len(lines))
        kind = draw.choice(["lose", "double", "swap"])
        if kind == "lose":
            del lines[a]
        elif kind == "double":
            lines.insert(b, lines[a])
        else:
            lines[a], lines[b] = lines[b], lines[a]
    outcome("\n".join(lines))
