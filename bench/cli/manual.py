"""Writes docs/commands.md from the commands' own help: `python -m bench.cli.manual docs/commands.md`."""

from __future__ import annotations

import sys
from pathlib import Path

from bench.cli.top import COMMANDS, command, top_help


def manual() -> str:
    """The whole page."""
    parts = [
        "# Commands",
        "",
        "Generated from the commands' own help by `make docs`; do not edit by hand.",
        "",
    ]
    parts += ["```text", top_help().rstrip(), "```", ""]
    for name in COMMANDS:
        parts += [
            f"## hardstand {name}",
            "",
            "```text",
            command(name).parser().format_help().rstrip(),
            "```",
            "",
        ]
    return "\n".join(parts)


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(manual(), encoding="utf-8", newline="\n")
