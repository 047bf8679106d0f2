"""From an argument list to an exit status: finds the command, and turns errors into text."""

from __future__ import annotations

import importlib
import json
import os
import sys
import tempfile
import traceback
from collections.abc import Sequence
from errno import ENOSPC
from types import ModuleType

from bench.core.errors import BenchError, Complaint, HardstandError, InternalError, UsageError

PASSED, DISCREPANCY, WRONG_INPUT, INCONCLUSIVE = 0, 1, 2, 3
INTERRUPTED, TERMINATED = 130, 143

COMMANDS = {
    "check": "what is wrong with a spec, and in plain words what it promises",
    "plan": "what a run would do, how long it takes, what it covers and what it leaves out",
    "run": "run the regression on a box, real or virtual, and judge it",
    "judge": "judge a recorded session, or another logger's recording, again",
    "compare": "what differs between two recorded sessions, and whether it is more than noise",
    "replay": "do to a box what was done in a recorded session, and judge it",
    "report": "write the report and result files of a recorded session",
    "convert": "write a recording in another format",
    "links": "list serial ports, CAN interfaces and adapters",
    "probe": "what is alive on a link: rates, losses, errors; without a spec",
    "twin": "serve the virtual box on a pseudo-terminal, or list the faults it can have",
    "demo": "the main job on the virtual box: once healthy, once with a seeded fault",
}

EXIT_TEXT = """\
exit status:
  0    pass in the declared scope
  1    at least one discrepancy (also when interrupted after one)
  2    the spec, the definitions or the command line are wrong
  3    inconclusive, or the bench failed
       compare: 0 same, 1 different, 2 wrong input, 3 cannot tell
  130  interrupted (Ctrl-C) before any discrepancy; 143: terminated before any
"""


def top_help() -> str:
    """What `hardstand --help` prints."""
    lines = [
        "usage: hardstand COMMAND ...",
        "",
        "Proves that a configured switching box does what its spec says.",
        "",
    ]
    lines += ["commands:"]
    lines += [f"  {name:<8} {about}" for name, about in COMMANDS.items()]
    lines += [
        "",
        "hardstand COMMAND --help tells more. SPEC may be demo, dunlin or fulmar: the boats that are",
    ]
    lines += ["shipped. Every command has --json.", "", EXIT_TEXT]
    return "\n".join(lines)


def command(name: str) -> ModuleType:
    """The module of a command; it has `parser()` and `run(args)`.

    Raises: UsageError with the nearest right command.
    """
    if name not in COMMANDS:
        from bench.cli.parser import nearest

        right = nearest(name, COMMANDS)
        advice = f"did you mean {right}?" if right else "see: hardstand --help"
        what = "option" if name.startswith("-") else "command"
        raise UsageError(Complaint(f"unknown {what} {name}", expected=" | ".join(COMMANDS), advice=advice))
    return importlib.import_module(f"bench.cli.{name}")


def main(argv: Sequence[str] | None = None) -> int:
    """Runs one command and gives back its exit status; never lets a traceback reach the user."""
    words = list(sys.argv[1:] if argv is None else argv)
    _open_streams()
    try:
        status = _run(words)
        sys.stdout.flush()
    except HardstandError as error:
        status = _status_of(error)
        _say(error, as_json="--json" in words, status=status)
    except KeyboardInterrupt:
        print("hardstand: interrupted", file=sys.stderr)
        status = INTERRUPTED
    except BrokenPipeError:  # whoever read our output has enough
        _drop_output()
        status = INCONCLUSIVE
    except OSError as error:
        status = INCONCLUSIVE
        if error.errno != ENOSPC:
            _say(_defect(), as_json="--json" in words, status=status)
        else:
            _drop_output()
            _say(BenchError(Complaint(f"cannot write: {error.strerror}")), as_json=False, status=status)
    except Exception:  # the one place where a defect of ours becomes a short message
        status = INCONCLUSIVE
        _say(_defect(), as_json="--json" in words, status=status)
    return status


def _open_streams() -> None:
    """A stream that was closed by whoever started us is one that nobody reads."""
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115
    if sys.stdin is None:
        sys.stdin = open(os.devnull, encoding="utf-8")  # noqa: PTH123, SIM115


def _drop_output() -> None:
    """Leaves nothing for the interpreter to flush at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("hardstand")
    except PackageNotFoundError:
        return "(not installed)"


def _run(words: list[str]) -> int:
    if not words or words[0] in ("-h", "--help", "help"):
        print(top_help(), end="")
        return PASSED if words else WRONG_INPUT
    if words[0] == "--version":
        print(f"hardstand {_version()}")
        return PASSED
    module = command(words[0])
    try:
        args = module.parser().parse(words[1:])
    except SystemExit as done:  # argparse ends --help this way
        return int(done.code or 0)
    return int(module.run(args))


def _status_of(error: HardstandError) -> int:
    return INCONCLUSIVE if isinstance(error, BenchError | InternalError) else WRONG_INPUT


def _say(error: HardstandError, *, as_json: bool, status: int) -> None:
    for complaint in error.complaints:
        print(f"hardstand: {complaint.render()}", file=sys.stderr)
    if as_json:
        keys = ("severity", "text", "path", "line", "column", "expected", "advice")
        complaints = [{key: getattr(c, key) for key in keys} for c in error.complaints]
        print(json.dumps({"status": status, "complaints": complaints}, indent=2))


def _defect() -> InternalError:
    text = traceback.format_exc()
    with tempfile.NamedTemporaryFile(
        "w", prefix="hardstand-traceback-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        file.write(text)
    last = text.strip().splitlines()[-1]
    advice = f"nothing was proved; please report it with the file {file.name}"
    return InternalError(Complaint(f"a defect of this program: {last}", advice=advice))
