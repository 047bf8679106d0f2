"""Makes the sample recordings anew, each by its command in recordings/README.md, and fills in the verdicts.

`python -m bench.evidence.record`
"""

from __future__ import annotations

import re
import shlex
import shutil
import sys
from pathlib import Path

from bench.cli import main
from bench.cli.judging import judged
from bench.evidence.cuts import RECORDINGS

ROW = re.compile(r"^\| (\S+) \| `hardstand (run .+?)` \| (.*?) \| (.*?) \|$", re.M)


def record(folder: Path = RECORDINGS) -> int:
    """0 when every command ran to a verdict; the table is rewritten with what was reached."""
    page = folder / "README.md"
    text = page.read_text(encoding="utf-8")
    troubles = 0

    def renew(row: re.Match[str]) -> str:
        nonlocal troubles
        name, command = row[1], row[2]
        target = folder / name
        shutil.rmtree(target, ignore_errors=True)
        status = main([*shlex.split(command), "--out", str(target)])
        troubles += status not in (0, 1)
        verdict = judged(str(target), None)[1].verdict
        subject = verdict.discrepancies[0].subject if verdict.discrepancies else "-"
        return f"| {name} | `hardstand {command}` | {verdict.outcome} | {subject} |"

    page.write_text(ROW.sub(renew, text), encoding="utf-8", newline="\n")
    return 1 if troubles else 0


if __name__ == "__main__":
    sys.exit(record())
