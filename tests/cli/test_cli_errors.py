"""What is wrong with an input is one clear message each, with its place and the right exit status."""

import pytest

from bench.cli import main
from bench.cli.boats import spec_path

DEMO = spec_path("demo")


def said(capsys, *argv):
    """Exit status, and all that was printed, of a command that must show no traceback."""
    status = main([str(word) for word in argv])
    out = capsys.readouterr()
    assert "Traceback" not in out.out + out.err
    assert "a defect of this program" not in out.err
    return status, out.out + out.err


def edited(tmp_path, old, new):
    text = DEMO.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "boat.yaml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


def line_of(path, text):
    return 1 + next(k for k, line in enumerate(path.read_text(encoding="utf-8").splitlines()) if text in line)


def test_a_misspelt_key_of_a_spec_is_told_with_line_and_nearest_right_key(capsys, tmp_path):
    spec = edited(tmp_path, "respond_ms", "respnd_ms")
    status, text = said(capsys, "check", spec)
    assert status == 2
    assert f'{spec}:{line_of(spec, "respnd_ms")}:5: error: unknown key "respnd_ms"' in text
    assert 'did you mean "respond_ms"?' in text


@pytest.mark.parametrize("command", [["plan"], ["run", "--on", "twin"], ["judge", "x.log", "--spec"]])
def test_every_command_refuses_a_bad_spec_in_the_same_words(capsys, tmp_path, command, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "x.log").write_text("(1436509052.249713) can0 123#00\n")
    spec = edited(tmp_path, "respond_ms", "respnd_ms")
    status, text = said(capsys, *command, spec)
    assert status == 2
    assert 'error: unknown key "respnd_ms"' in text


@pytest.mark.parametrize("command", [["check"], ["plan"], ["run", "--on", "twin"], ["plan", "--short"]])
def test_a_scenario_that_contradicts_its_spec_is_told_with_its_place(capsys, tmp_path, command, monkeypatch):
    monkeypatch.chdir(tmp_path)
    spec = tmp_path / "boat.yaml"
    rows = "scenarios: {trial: [{press: panel helm 3}, {expect: {horn: on}}]}\n"
    spec.write_text(DEMO.read_text(encoding="utf-8") + rows, encoding="utf-8")
    status, text = said(capsys, *command, spec)
    assert status == 2
    where = f"{spec}:{line_of(spec, 'scenarios:')}:54: error: "
    assert f'{where}scenario "trial": it expects horn on, and the spec promises off' in text
    assert not (tmp_path / "sessions").exists()


def test_a_spec_that_is_no_yaml_is_told_with_its_place(capsys, tmp_path):
    spec = tmp_path / "boat.yaml"
    spec.write_text("hardstand: 1\nboat: {name: [\n")
    status, text = said(capsys, "check", spec)
    assert status == 2
    assert f"{spec}:" in text
    assert "1 error, 0 warnings" in text


@pytest.mark.parametrize("content", ["", "just words\n", "- a\n- b\n", "\x00\x01\x02"])
def test_a_file_that_is_no_spec_is_one_message(capsys, tmp_path, content):
    spec = tmp_path / "boat.yaml"
    spec.write_text(content)
    status, text = said(capsys, "plan", spec)
    assert status == 2
    assert str(spec) in text
    assert text.count("\n") == 1


def test_a_spec_that_is_a_folder_is_told_so(capsys, tmp_path):
    status, text = said(capsys, "check", tmp_path)
    assert (status, text) == (
        2,
        f"hardstand: {tmp_path}: error: the spec is a folder, not a file - expected the file of a spec\n",
    )


def test_a_missing_spec_is_told_and_the_shipped_boats_are_named(capsys):
    assert said(capsys, "plan", "nothere.yaml") == (
        2,
        "hardstand: nothere.yaml: error: no such spec - shipped boats are demo, dunlin, fulmar, turnstone, "
        "greenshank, dotterel\n",
    )


def test_an_unknown_boat_is_answered_with_the_nearest_one(capsys):
    assert said(capsys, "plan", "dunlim") == (
        2,
        "hardstand: dunlim: error: no such spec - did you mean dunlin?\n",
    )


def test_a_huge_file_is_refused_at_once(capsys, tmp_path):
    spec = tmp_path / "huge.yaml"
    with spec.open("wb") as file:
        file.truncate(2**40)  # a file with a hole: reading it whole would end in an out-of-memory kill
    status, text = said(capsys, "check", spec)
    assert status == 2
    assert "is too big - expected at most 2,000,000 bytes" in text


def test_definitions_that_are_missing_are_the_definitions_matter(capsys, tmp_path):
    spec = edited(tmp_path, "switchbox.dbc", "nosuch.dbc")
    status, text = said(capsys, "plan", spec)
    assert status == 2
    assert "nosuch.dbc" in text


def test_definitions_that_are_no_dbc_are_told_with_their_file(capsys, tmp_path):
    spec = edited(tmp_path, "switchbox.dbc", "bad.dbc")
    (tmp_path / "bad.dbc").write_text(
        'VERSION ""\nBO_ 2566848545 Cut: 8 Box\n SG_ A : 0|2@1+ (1,0) [0|3] ""\n'
    )
    status, text = said(capsys, "check", spec)
    assert status == 2
    assert "bad.dbc" in text


def test_a_recording_that_is_missing_empty_or_something_else_is_told_so(capsys, tmp_path):
    empty, other = tmp_path / "empty.log", tmp_path / "picture.log"
    empty.write_bytes(b"")
    other.write_bytes(b"\x89PNG\r\n\x1a\n" * 10)
    status, text = said(capsys, "judge", tmp_path / "nothere", "--spec", "demo")
    assert (status, "no such recording - expected a session folder or candump text" in text) == (2, True)
    assert said(capsys, "judge", empty, "--spec", "demo") == (
        2,
        f"hardstand: {empty}: error: the recording is empty: it holds no frame\n",
    )
    status, text = said(capsys, "judge", other, "--spec", "demo")
    assert status == 2
    assert f"{other}:1: error: not a candump text recording" in text


def test_a_folder_that_is_no_session_is_told_so(capsys, tmp_path):
    status, text = said(capsys, "judge", tmp_path)
    assert status == 2
    assert "frames.log is missing - name the session folder itself, or a candump text file" in text


def test_a_bare_recording_needs_a_spec_and_the_message_names_the_option(capsys, tmp_path):
    bare = tmp_path / "bare.log"
    bare.write_text("(1436509052.249713) can0 123#00\n")
    assert said(capsys, "judge", bare) == (
        2,
        f"hardstand: {bare}: error: a bare recording has no spec of its own - name one: --spec SPEC\n",
    )


def test_a_missing_port_is_the_benchs_matter(capsys, tmp_path):
    out = tmp_path / "session"
    status, text = said(capsys, "run", "demo", "--on", "slcan:/dev/ttyNOSUCH", "--yes", "--out", out)
    assert status == 3
    assert "/dev/ttyNOSUCH" in text.splitlines()[-1]


def test_nothing_real_is_energised_when_nobody_can_answer(capsys, tmp_path):
    status, text = said(capsys, "run", "demo", "--on", "slcan:/dev/ttyNOSUCH", "--out", tmp_path / "session")
    assert status == 2
    assert "horn" in text
    assert text.endswith(
        "nobody is there to say that a real box may be energised - if it may, say so: --yes\n"
    )
    assert not (tmp_path / "session").exists()


@pytest.mark.parametrize(
    ("more", "text"),
    [
        (["--on", "twni"], "--on twni names no box - expected twin, slcan:PORT or INTERFACE:CHANNEL"),
        (["--on", "slcan:/dev/x", "--fault", "stuck"], "--fault is for the virtual box"),
        (["--on", "twin", "--bench", "nothere.yaml"], "nothere.yaml: error: no such bench profile"),
        (
            ["--on", "twin", "--require", "hron"],
            "the spec has no such circuit or control - did you mean horn?",
        ),
        (["--on", "twin", "--fault", "nosuchkind"], "unknown fault 'nosuchkind'"),
    ],
)
def test_what_does_not_go_together_is_refused_before_anything_happens(capsys, tmp_path, more, text):
    status, printed = said(capsys, "run", "demo", *more, "--out", tmp_path / "session")
    assert status == 2
    assert text in printed
    assert not (tmp_path / "session").exists()


def test_a_session_is_never_written_over(capsys, tmp_path):
    (tmp_path / "precious.txt").write_text("mine")
    status, text = said(capsys, "run", "demo", "--on", "twin", "--short", "--out", tmp_path)
    assert status == 2
    assert "the session folder is not empty" in text
    assert [path.name for path in tmp_path.iterdir()] == ["precious.txt"]


def test_the_virtual_box_of_an_unknown_boat_is_answered_with_the_nearest(capsys):
    assert said(capsys, "twin", "dunlim") == (
        2,
        "hardstand: error: there is no virtual box for dunlim - expected demo | dunlin | fulmar"
        " | turnstone | greenshank | dotterel - did you mean dunlin?\n",
    )


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ("--short --sequences 3", "--sequences is for the full plan - leave out --short, or it"),
        ("--short --company", "--company is for the full plan - leave out --short, or it"),
        ("--only horn --company", "--company is for all circuits - leave out --only, or it"),
        *(
            (f"--seconds 60 {option}", f"{option.split()[0]} and --seconds do not go together - {why}")
            for option in ("--sequences 2", "--company")
            for why in ["it takes as long as it takes: name one of them"]
        ),
    ],
)
def test_what_takes_long_goes_with_nothing_that_is_shorter(capsys, given, told):
    assert said(capsys, "plan", "demo", *given.split()) == (2, f"hardstand: error: {told}\n")


@pytest.mark.parametrize("option", ["--look", "--only"])
def test_a_huge_word_is_told_by_its_beginning_and_its_length(capsys, option):
    status, text = said(capsys, "plan", "demo", option, "x" * 50_000)
    assert status == 2
    assert f"{option} xxx" in text and " characters)" in text
    assert len(text) < 1_000
