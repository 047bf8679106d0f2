"""Fills the sample runs in README.md with what the commands print: `python -m bench.evidence.sample`."""

from __future__ import annotations

import sys
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

from bench.cli import main

ROOT = Path(__file__).resolve().parents[2]
BEGIN, END = "<!-- run: begin -->", "<!-- run: end -->"
SHOWN = ("healthy-full", "fault-member_missing")


def samples(folder: Path = ROOT / "recordings") -> str:
    """The part of the page between its two marks."""
    parts = [BEGIN]
    for name in SHOWN:
        out = StringIO()
        with redirect_stdout(out):
            main(["judge", str(folder / name)])
        printed = out.getvalue().replace(f"{folder}/", "recordings/").rstrip()
        parts += ["```text", f"$ hardstand judge recordings/{name}", printed, "```"]
    return "\n".join([*parts, END])


def fill(page: Path = ROOT / "README.md") -> int:
    """Rewrites the page; 0."""
    text = page.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    page.write_text(before + samples() + rest.split(END)[1], encoding="utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    sys.exit(fill())
