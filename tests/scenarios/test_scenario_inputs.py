"""Whatever a command is given, it says in one message what is wrong, and ends with the right status."""

import json
import os
import shutil
import sys
from pathlib import Path

import pytest

from bench.cli import main
from bench.cli.boats import spec_path

DEMO = spec_path("demo")
DBC = Path(__file__).resolve().parents[2] / "dbc" / "switchbox.dbc"
BYTES = bytes(range(128, 256)) * 40


def said(capsys, *argv):
    """Exit status, standard output and standard error of a command that must show no traceback."""
    status = main([str(word) for word in argv])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert "a defect of this program" not in err
    return status, out, err


def complaint(capsys, *argv):
    """Exit status and the one line that a refused command says."""
    status, out, err = said(capsys, *argv)
    lines = [line for line in err.splitlines() if "hardstand: " in line]
    assert (out, len(lines)) == ("", 1), (out, err)
    return status, lines[0].removeprefix("hardstand: ")


@pytest.fixture(autouse=True)
def elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A whole session of the short plan, passed."""
    folder = tmp_path_factory.mktemp("whole") / "s"
    assert main(["run", "demo", "--on", "twin", "--short", "--out", str(folder)]) == 0
    return folder


@pytest.fixture
def session(whole, tmp_path):
    shutil.copytree(whole, tmp_path / "c")
    return tmp_path / "c"


# ---- specs and definitions
SPECS = {
    "empty": (b"", 'x.yaml:1:1: error: the spec is empty - expected "hardstand: 1" as its first key'),
    "binary": (
        BYTES,
        "x.yaml:1:1: error: byte 0x80 is not UTF-8 - expected text in UTF-8 - save the file as UTF-8",
    ),
    "huge": (
        b"a" * 50_000_000,
        "x.yaml:1:1: error: the spec is too big - expected at most 2,000,000 bytes - is this the right file?",
    ),
}


@pytest.mark.parametrize("command", [["plan"], ["run", "--on", "twin"]], ids=lambda c: c[0])
@pytest.mark.parametrize("kind", SPECS)
def test_a_spec_that_is_none(kind, command, capsys):
    content, text = SPECS[kind]
    Path("x.yaml").write_bytes(content)
    assert complaint(capsys, *command, "x.yaml") == (2, text)
    assert [path.name for path in Path().iterdir()] == ["x.yaml"]


@pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="/proc/self/mem is a file that cannot be read"
)
def test_a_spec_that_cannot_be_read(capsys):
    status, text = complaint(capsys, "plan", "/proc/self/mem")
    assert status == 2
    assert text.startswith("/proc/self/mem")
    assert "cannot read the file: Input/output error" in text


def with_definitions(name, data=None):
    Path("x.yaml").write_text(DEMO.read_text("utf-8").replace("switchbox.dbc", name), "utf-8")
    if data is not None:
        Path(name).write_bytes(data)
    return "x.yaml"


def edited(pattern, new):
    text = DBC.read_text("utf-8")
    assert pattern in text
    return text.replace(pattern, new, 1).encode()


def test_definitions_that_are_missing(capsys):
    status, text = complaint(capsys, "plan", with_definitions("mine.dbc"))
    assert status == 2
    assert text.startswith(
        'mine.dbc: error: there is no file "mine.dbc" - put it beside the spec or give its path'
    )


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"", "mine.dbc: error: the file is empty"),
        (
            b"\0" + BYTES,
            "mine.dbc: error: this is not a text file - expected message definitions as text",
        ),
        (
            b"just words\n" * 1000,
            "mine.dbc:1: error: the file defines no message - expected BO_ lines with SG_ lines beneath them",
        ),
    ],
    ids=["empty", "binary", "words"],
)
def test_definitions_that_are_none(capsys, data, text):
    assert complaint(capsys, "plan", with_definitions("mine.dbc", data)) == (2, text)


@pytest.mark.parametrize("more", [2, 3, 8, 12, 20, 40])
def test_definitions_that_are_cut_off_in_the_middle_of_a_line(capsys, more):
    data = DBC.read_bytes()
    cut = data.index(b" SG_ ", 5000) + more
    status, out, err = said(capsys, "run", with_definitions("mine.dbc", data[:cut]), "--on", "twin")
    assert (status, out) == (2, "")
    line = data[:cut].count(b"\n") + 1
    assert err.startswith(f"hardstand: mine.dbc:{line}: error: ")
    assert "the file is cut off here" in err.splitlines()[0]


def test_definitions_with_one_identifier_twice(capsys):
    first, second = [
        line.split()[1] for line in DBC.read_text("utf-8").splitlines() if line.startswith("BO_ ")
    ][:2]
    status, _, err = said(
        capsys, "plan", with_definitions("mine.dbc", edited(f"BO_ {second} ", f"BO_ {first} "))
    )
    assert status == 2
    assert 'error: message "ControlAlive" has the identifier of "KeyEvent" (line 15)' in err.splitlines()[0]


def test_definitions_that_overlap(capsys):
    data = edited("SG_ Action : 8|", "SG_ Action : 4|")
    assert complaint(capsys, "plan", with_definitions("mine.dbc", data)) == (
        2,
        'mine.dbc:17: error: signal "Action" overlaps "Key" (line 16) in "KeyEvent"',
    )


# ---- sessions
def test_an_empty_folder_is_no_session(capsys):
    Path("c").mkdir()
    for command in ("judge", "report"):
        assert complaint(capsys, command, "c") == (
            2,
            "c: error: not a whole session folder: frames.log is missing"
            " - name the session folder itself, or a candump text file",
        )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("file", "text"),
    [
        (
            "frames.log",
            "c: error: not a whole session folder: frames.log is missing"
            " - name the session folder itself, or a candump text file",
        ),
        (
            "marks.jsonl",
            "c: error: not a whole session folder: marks.jsonl is missing - nothing proves that the link"
            " worked; give frames.log alone to judge it as a foreign one",
        ),
        (
            "switchbox.dbc",
            'switchbox.dbc: error: there is no file "switchbox.dbc"'
            " - a session is judged by its own copies: put it back, or name a spec (--spec SPEC)",
        ),
        ("spec.yaml", "c: error: this session holds no copy of its spec - name one: --spec SPEC"),
    ],
)
def test_a_session_that_lacks_what_it_is_judged_by(session, capsys, file, text):
    (session / file).unlink()
    assert complaint(capsys, "judge", "c") == (2, text)


@pytest.mark.slow
def test_a_session_needs_no_results_of_an_earlier_judging(session, whole, capsys):
    for name in ("verdict.json", "report.html", "junit.xml", "discrepancies.csv", "discrepancies.jsonl"):
        (session / name).unlink()
    assert said(capsys, "judge", "c")[0] == 0
    (session / "verdict.json").write_text("garbage")
    assert said(capsys, "judge", "c")[0] == 0


@pytest.mark.slow
@pytest.mark.parametrize("words", [["plan"], ["run", "--on", "twin", "--short", "--out", "s"]])
def test_what_check_calls_an_error_is_said_before_a_run_all_the_same(words, capsys):
    text = DEMO.read_text(encoding="utf-8")
    steps = "[[sidelights, allround_white], [allround_white], []]"
    assert text.count(steps) == 1
    text = text.replace(steps, "[[sidelights, allround_white], [sidelights], []]")
    Path("x.yaml").write_text(text, encoding="utf-8")
    _, _, err = said(capsys, words[0], "x.yaml", *words[1:])
    told = [line for line in err.splitlines() if line.startswith("hardstand: x.yaml:")]
    assert len(told) == 1
    assert 'warning: position 2 of "navigation" shows sidelights: permitted neither under way' in told[0]
    assert "the box is held to it as it is written; see: hardstand check x.yaml" in told[0]


def outcome(capsys, *argv):
    status, out, _ = said(capsys, *argv, "--json")
    document = json.loads(out)
    return status, document["outcome"], document["discrepancies"], [d["reason"] for d in document["doubts"]]


def cut(count):
    return lambda data: data[:count]


def line(number, text):
    def change(data):
        lines = data.split(b"\n")
        lines[number] = text
        return b"\n".join(lines)

    return change


DAMAGED = {
    "no frames": ("frames.log", cut(0), "the link was lost: the recording was cut off after this frame"),
    "half a line": ("frames.log", cut(20), "1 lost at recording, frames.log from line 1"),
    "binary frames": ("frames.log", lambda _: BYTES, "1 lost at recording, frames.log from line 1"),
    "cut frames": ("frames.log", cut(50_000), "half a line: the recording was cut here"),
    "no marks": ("marks.jsonl", cut(0), "nothing was judged"),
    "cut marks": ("marks.jsonl", cut(5_000), "1 lost at recording, marks.jsonl line"),
    "binary marks": ("marks.jsonl", lambda _: BYTES, "nothing was judged"),
    "a mark that is garbage": ("marks.jsonl", line(4, b"garbage"), "1 lost at recording, marks.jsonl line 5"),
    "a mark that is a list": ("marks.jsonl", line(4, b"[1, 2]"), "1 lost at recording, marks.jsonl line 5"),
    "an empty head": ("session.json", cut(0), "session.json:1: not JSON"),
    "half a head": ("session.json", cut(100), "session.json:1: not JSON"),
    "a binary head": ("session.json", lambda _: BYTES, "session.json:1: not JSON"),
    "a head that is a list": ("session.json", lambda _: b"[]", "session.json:1: not a JSON object"),
    "a head of wrong types": (
        "session.json",
        lambda _: b'{"format": 1, "not_tested": 5, "start_ns": "x", "complete": true}',
        "session.json does not say in words what was left out (not_tested)",
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", DAMAGED)
def test_a_damaged_session_is_inconclusive_and_says_why(session, capsys, kind):
    file, damage, reason = DAMAGED[kind]
    path = session / file
    path.write_bytes(damage(path.read_bytes()))
    status, reached, found, doubts = outcome(capsys, "judge", "c")
    assert (status, reached, found) == (3, "inconclusive", [])
    assert any(reason in doubt for doubt in doubts), doubts


@pytest.mark.slow
def test_a_session_without_its_head_is_inconclusive(session, capsys):
    (session / "session.json").unlink()
    status, reached, _, doubts = outcome(capsys, "judge", "c")
    assert (status, reached) == (3, "inconclusive")
    assert f"{session / 'session.json'}:1: the file is missing".endswith(doubts[0])


@pytest.mark.slow
def test_a_session_of_a_later_version_is_refused(session, capsys):
    (session / "session.json").write_text('{"format": 99}')
    assert complaint(capsys, "judge", "c") == (
        2,
        "c/session.json: error: session format 99 is not known to this version"
        " - expected format 1 - use a newer version",
    )


@pytest.mark.slow
def test_a_session_is_not_judged_by_the_spec_of_another_boat(session, capsys):
    assert complaint(capsys, "judge", "c", "--spec", "dunlin") == (
        2,
        "c: error: this session is one of Kittiwake, the spec is for Dunlin"
        " - name the right spec, or judge frames.log alone",
    )


@pytest.mark.slow
def test_recordings_put_together_in_the_wrong_order_give_no_false_fail(session, capsys):
    frames = (session / "frames.log").read_bytes()
    Path("twice.log").write_bytes(frames + frames)
    status, reached, found, doubts = outcome(capsys, "judge", "twice.log", "--spec", "demo")
    assert (status, reached, found) == (3, "inconclusive", [])
    assert any(doubt.startswith("the stamps step back by ") for doubt in doubts)


@pytest.mark.parametrize("data", [b"\0" * 5_000_000, b"a" * 5_000_000, b'{"a": 1}\n'], ids=["0", "a", "json"])
def test_a_file_that_is_no_recording(capsys, data):
    Path("x.log").write_bytes(data)
    status, text = complaint(capsys, "judge", "x.log", "--spec", "demo")
    assert status == 2
    assert text.startswith("x.log:1: error: not a candump text recording: no stamp such as ")


# ---- where results go
def test_a_place_that_is_taken(capsys):
    Path("file").write_text("mine")
    assert complaint(capsys, "run", "demo", "--on", "twin", "--out", "file") == (
        2,
        "file: error: the session folder's name is taken by a file - name another folder",
    )
    assert Path("file").read_text() == "mine"


def test_a_place_that_cannot_be_written(capsys):
    Path("file").write_text("mine")
    status, text = complaint(capsys, "run", "demo", "--on", "twin", "--out", "file/below")
    assert status == 3
    assert text.startswith("file/below: error: cannot record the session: ")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="this user may write anywhere")
def test_a_read_only_place(capsys):
    Path("there").mkdir(mode=0o500)
    status, text = complaint(capsys, "run", "demo", "--on", "twin", "--out", "there/s")
    assert status == 3
    assert text.startswith("there/s: error: cannot record the session: Permission denied")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("argv", "what"),
    [
        (["judge", "c", "--out", "c/frames.log"], "c/frames.log/verdict.json: error: cannot write: "),
        (["report", "c", "--html", "c"], "c: error: cannot write: "),
    ],
)
def test_results_never_take_the_place_of_something_else(session, capsys, argv, what):
    status, text = complaint(capsys, *argv)
    assert status == 2
    assert text.startswith(what)
    assert text.endswith("name another place")
    assert not list(session.parent.rglob("*.part"))


# ---- options
@pytest.mark.parametrize(
    ("more", "status", "text"),
    [
        (
            ["--seed", "x"],
            2,
            "hardstand run: argument --seed: invalid int value: 'x' - see: hardstand run --help",
        ),
        (["--fault", "member_mising"], 2, "unknown fault 'member_mising' - did you mean 'member_missing'?"),
        (
            ["--fault", "member_missing:helm"],
            2,
            "fault member_missing: there is no key 'helm' - expected KEY/BOX CHANNEL"
            " - for instance on kittiwake: member_missing:panel helm 2/main 5",
        ),
        (
            ["--fault", "timer_short:main 15/soon"],
            2,
            "fault timer_short: 'main 15/soon' does not fit - expected BOX CHANNEL/SECONDS"
            " - for instance on kittiwake: timer_short:main 15/30",
        ),
        (
            ["--fault", "timer_short:main 15/nan"],
            2,
            "fault timer_short: 'main 15/nan' does not fit - expected BOX CHANNEL/SECONDS"
            " - for instance on kittiwake: timer_short:main 15/30",
        ),
        (
            ["--require", ""],
            2,
            "--require requires nothing - expected a share such as 95%, or names of circuits and controls",
        ),
    ],
)
def test_an_option_with_a_wrong_value(capsys, more, status, text):
    assert complaint(capsys, "run", "demo", "--on", "twin", *more) == (status, f"error: {text}")
    assert list(Path().iterdir()) == []


@pytest.mark.parametrize(
    ("where", "status", "text"),
    [
        ("twni", 2, "error: --on twni names no box - expected twin, slcan:PORT or INTERFACE:CHANNEL"),
        ("slcan:", 2, "error: 'slcan:' names no link - expected slcan:PORT[@BITRATE] or INTERFACE:CHANNEL"),
        ("nosuch:can0", 2, "error: unknown CAN interface 'nosuch' - expected INTERFACE:CHANNEL"),
        ("slcan:/dev/nosuch", 3, "error: serial port /dev/nosuch does not exist - plug the adapter in"),
        ("slcan:file", 3, "error: file cannot be opened as a serial port"),
        ("socketcan:nosuch0", 3, "error: socketcan:nosuch0 cannot be opened"),
    ],
)
def test_a_box_that_is_not_there(capsys, where, status, text):
    Path("file").write_text("no port")
    got, line = complaint(capsys, "run", "demo", "--on", where, "--yes", "--out", "s")
    assert got == status
    assert line.startswith(text)
    assert not Path("s").exists()


def test_a_plan_for_a_box_that_cannot_be(capsys):
    assert complaint(capsys, "plan", "demo", "--on", "nosuch:can0")[0] == 2


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (
            b"",
            'x.yaml:1:1: error: the bench profile is empty - expected "hardstand_bench: 1" as its first key',
        ),
        (
            b"x: 1\n",
            "x.yaml:1:1: error: the format's version does not come first"
            ' - expected "hardstand_bench: 1" as the first key',
        ),
        (
            BYTES,
            "x.yaml:1:1: error: byte 0x80 is not UTF-8 - expected text in UTF-8 - save the file as UTF-8",
        ),
    ],
    ids=["empty", "other", "binary"],
)
def test_a_bench_profile_that_is_none(capsys, data, text):
    Path("x.yaml").write_bytes(data)
    assert complaint(capsys, "run", "demo", "--on", "twin", "--bench", "x.yaml") == (2, text)


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (BYTES, "x.toml: error: not a text file - expected tables in UTF-8"),
        (b"a" * 2_000_001, "x.toml: error: too big for tables - expected at most 2,000,000 bytes"),
        (b"words\n", "x.toml: error: not TOML: "),
    ],
    ids=["binary", "huge", "words"],
)
def test_tables_that_are_none(capsys, data, text):
    Path("x.toml").write_bytes(data)
    for argv in (["run", "demo", "--on", "twin", "--tables", "x.toml"], ["twin", "x.toml"]):
        status, line = complaint(capsys, *argv)
        assert status == 2
        assert line.startswith(text)


def test_tables_are_for_the_virtual_box(capsys):
    assert complaint(capsys, "run", "demo", "--on", "slcan:/dev/x", "--tables", "x.toml") == (
        2,
        "error: --tables is for the virtual box - a real box has its own",
    )


def test_tables_that_are_missing(capsys):
    assert complaint(capsys, "twin", "x.toml") == (2, "x.toml: error: no such virtual box")
