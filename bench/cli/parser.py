"""An argument parser that raises our own errors and names the nearest right option."""

from __future__ import annotations

import argparse
import difflib
import sys
from collections.abc import Iterable, Sequence
from typing import Any, NoReturn

from bench.core.errors import Complaint, UsageError

HELP_WIDTH = 92  # fixed, so that help in the docs is the same on every terminal


def nearest(word: str, choices: Iterable[str]) -> str:
    """The choice most like `word`; empty when none comes near."""
    close = difflib.get_close_matches(word, list(choices), n=1, cutoff=0.5)
    return close[0] if close else ""


class _Formatter(argparse.RawDescriptionHelpFormatter):
    def __init__(self, prog: str) -> None:
        super().__init__(prog, max_help_position=28, width=HELP_WIDTH)


class Parser(argparse.ArgumentParser):
    """argparse without abbreviations; every mistake on the command line is a UsageError."""

    def __init__(self, command: str, usage: str, about: str, details: str = "") -> None:
        colour: dict[str, Any] = {"color": False} if sys.version_info >= (3, 14) else {}
        super().__init__(
            prog=f"hardstand {command}",
            usage=f"hardstand {command} {usage}",
            description=about,
            epilog=details or None,
            allow_abbrev=False,
            formatter_class=_Formatter,
            **colour,
        )

    def error(self, message: str) -> NoReturn:
        """Raises: UsageError, always."""
        raise UsageError(Complaint(f"{self.prog}: {message}", advice=f"see: {self.prog} --help"))

    def option_names(self) -> list[str]:
        """Every option, with its dashes."""
        return [name for action in self._actions for name in action.option_strings]

    def parse(self, argv: Sequence[str]) -> argparse.Namespace:
        """Raises: UsageError that names each unknown option and the nearest right one."""
        self._refuse_unknown_options(argv)
        args, extra = self.parse_known_args(list(argv))
        if extra:
            self.error(f"nothing known to do with: {' '.join(extra)}")
        return args

    def _refuse_unknown_options(self, argv: Sequence[str]) -> None:
        """Before argparse complains of something else that only follows from the misspelling."""
        known = self.option_names()
        complaints = []
        for word in argv:
            if word == "--":
                break
            name = word.split("=", 1)[0]
            if not name.startswith("--") or name in known:
                continue
            right = nearest(name, known)
            advice = f"did you mean {right}?" if right else f"see: {self.prog} --help"
            complaints.append(Complaint(f"{self.prog}: unknown option {name}", advice=advice))
        if complaints:
            raise UsageError(complaints)


def milliseconds(word: str) -> float:
    """A span that an option takes: 0 to 1000 ms."""
    try:
        value = float(word)
    except ValueError:
        value = -1.0
    if not 0.0 <= value <= 1000.0:
        raise argparse.ArgumentTypeError(f"{word} is no number of milliseconds from 0 to 1000")
    return value


def bench_seconds(word: str) -> float:
    """A bench time that an option takes: more than 0, at most a day."""
    try:
        value = float(word)
    except ValueError:
        value = -1.0
    if not 0.0 < value <= 86_400.0:
        raise argparse.ArgumentTypeError(f"{word} is no number of seconds, more than 0 and at most 86400")
    return value


def count(word: str) -> int:
    """A whole number from 1 to a million. Raises ArgumentTypeError."""
    if not word.isascii() or not word.isdecimal() or not 1 <= int(word[:8]) <= 1_000_000:
        raise argparse.ArgumentTypeError(f"{word!r} is no whole number from 1 to 1000000")
    return int(word)


def bit_rate(word: str) -> int:
    """A bit rate that an option takes: 10000 to 1000000 bit/s."""
    if not (word.isascii() and word.isdigit() and 10_000 <= int(word) <= 1_000_000):
        raise argparse.ArgumentTypeError(f"{word} is no bit rate from 10000 to 1000000 bit/s")
    return int(word)


def add_spec(parser: argparse.ArgumentParser) -> None:
    """The positional SPEC that most commands take."""
    parser.add_argument(
        "spec", metavar="SPEC", help="the spec's file, or one of the shipped boats: demo, dunlin, fulmar"
    )


def add_choice(parser: argparse.ArgumentParser) -> None:
    """The options of every command that makes a plan."""
    parser.add_argument(
        "--seconds",
        metavar="N",
        type=bench_seconds,
        help="the best plan that lasts N seconds at most; says what is then left uncovered",
    )
    parser.add_argument(
        "--since",
        metavar="OTHER",
        help="first what the changes since OTHER can have broken: a spec's file, a shipped boat, or a "
        "session's folder",
    )


def add_accepted(parser: argparse.ArgumentParser) -> None:
    """The option of every command that reaches a verdict."""
    parser.add_argument(
        "--accepted",
        metavar="FILE",
        help="discrepancies that were accepted, with reason and last day: listed apart, and a failure once "
        "they have expired or occur no more",
    )


def add_json(parser: argparse.ArgumentParser) -> None:
    """The option that every command has."""
    parser.add_argument("--json", action="store_true", help="print one JSON document for programs")
