"""The command line itself: help, errors, exit status, start time."""

import argparse
import json
import subprocess
import sys
from pathlib import Path

import pytest

from bench.cli import main
from bench.cli import top as top_module
from bench.cli.manual import manual
from bench.cli.top import COMMANDS, command

ROOT = Path(__file__).resolve().parents[2]


def said(capsys, *argv):
    """Exit status, standard output, standard error."""
    status = main(argv)
    out = capsys.readouterr()
    return status, out.out, out.err


def test_help_lists_every_command_and_the_exit_status(capsys):
    status, out, _ = said(capsys, "--help")
    assert status == 0
    assert all(f"  {name:<8} {about}" in out for name, about in COMMANDS.items())
    assert "130  interrupted (Ctrl-C) before any discrepancy; 143: terminated before any" in out


def test_no_command_shows_the_help_and_is_an_error(capsys):
    status, out, _ = said(capsys)
    assert (status, out.splitlines()[0]) == (2, "usage: hardstand COMMAND ...")


def test_an_unknown_command_is_answered_with_the_nearest_right_one(capsys):
    status, out, err = said(capsys, "jugde", "x")
    assert (status, out) == (2, "")
    assert err == (
        "hardstand: error: unknown command jugde - expected check | plan | run | judge | compare | replay"
        " | report | convert | links | probe | twin | demo - did you mean judge?\n"
    )


@pytest.mark.parametrize(
    ("argv", "text"),
    [
        (["run", "demo", "--on", "twin", "--sede", "4"], "unknown option --sede - did you mean --seed?"),
        (["run", "demo", "--on", "twin", "--see", "4"], "unknown option --see - did you mean --seed?"),
        (["judge", "x", "--zzz"], "unknown option --zzz - see: hardstand judge --help"),
        (["plan", "demo", "more"], "hardstand plan: nothing known to do with: more"),
        (["run", "demo"], "hardstand run: the following arguments are required: --on"),
        (["run", "demo", "--on", "twin", "--seed", "x"], "argument --seed: invalid int value: 'x'"),
        (["twin"], "the following arguments are required: BOAT"),
        (["check"], "the following arguments are required: SPEC"),
    ],
)
def test_a_wrong_command_line_is_one_clear_message_and_status_2(capsys, argv, text):
    status, out, err = said(capsys, *argv)
    assert (status, out) == (2, "")
    assert text in err
    assert err.count("\n") == 1


def test_several_unknown_options_are_named_together(capsys):
    _, _, err = said(capsys, "plan", "demo", "--shrt", "--jsn")
    assert [line.split("did you mean ")[1] for line in err.splitlines()] == ["--short?", "--json?"]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_for_itself_and_for_every_option(capsys, name):
    parser = command(name).parser()
    assert parser.description
    for action in parser._actions:
        assert action.help and action.help != argparse.SUPPRESS, action.dest
    assert "--json" in parser.option_names()
    status, out, _ = said(capsys, name, "--help")
    assert status == 0
    assert out.startswith(f"usage: hardstand {name} ")


def test_the_manual_is_what_the_commands_say_of_themselves():
    assert (ROOT / "docs" / "commands.md").read_text(encoding="utf-8") == manual()


def test_errors_are_a_json_document_too_when_asked_for(capsys):
    status, out, err = said(capsys, "plan", "nothere.yaml", "--json")
    document = json.loads(out)
    assert status == document["status"] == 2
    assert document["complaints"][0]["text"] == "no such spec"
    assert "no such spec" in err


def test_a_defect_of_ours_is_a_short_message_with_the_place_of_the_traceback(capsys, monkeypatch):
    module = argparse.Namespace(parser=command("plan").parser, run=lambda _args: 1 // 0)
    monkeypatch.setattr(top_module, "command", lambda _name: module)
    status, out, err = said(capsys, "plan", "demo")
    assert (status, out) == (3, "")
    assert "a defect of this program: ZeroDivisionError" in err
    assert "Traceback" not in err
    file = Path(err.split("with the file ")[1].strip())
    assert "ZeroDivisionError" in file.read_text(encoding="utf-8")
    file.unlink()


def test_ctrl_c_ends_with_130_and_no_traceback(capsys, monkeypatch):
    def interrupted(_args):
        raise KeyboardInterrupt

    module = argparse.Namespace(parser=command("plan").parser, run=interrupted)
    monkeypatch.setattr(top_module, "command", lambda _name: module)
    assert said(capsys, "plan", "demo") == (130, "", "hardstand: interrupted\n")


@pytest.mark.slow
def test_help_takes_less_than_a_quarter_of_a_second():
    """CPU time, the best of several: other work on this machine is not ours."""
    resource = pytest.importorskip("resource", reason="CPU time of children is read the POSIX way")
    took = []
    for _ in range(5):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [sys.executable, "-m", "bench.cli", "--help"], cwd=ROOT, check=True, capture_output=True
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    assert 0 < min(took) < 0.25


def test_help_imports_neither_numpy_nor_any_library_for_can():
    code = "import sys; from bench.cli import main; main(['--help']); print(sorted(sys.modules))"
    out = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout
    loaded = out.splitlines()[-1]
    assert not any(f"'{name}'" in loaded for name in ("numpy", "pandas", "can", "cantools", "yaml", "serial"))
