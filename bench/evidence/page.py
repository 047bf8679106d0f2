"""A page of evidence: what was done, the tables, the date and the commit it was made from."""

from __future__ import annotations

import platform
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bench.core.clock import utc_text
from bench.report.write import write_text


@dataclass(frozen=True, slots=True)
class Table:
    """Columns and rows; `note` stands beneath."""

    header: tuple[str, ...]
    rows: Sequence[Sequence[object]]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Page:
    """`holds`: whether everything came out as claimed; `about`: what was done, in sentences."""

    name: str
    title: str
    about: str
    holds: bool
    summary: str
    tables: tuple[Table, ...] = ()


def write_page(page: Page, folder: Path) -> Path:
    """Writes `NAME.md` into `folder` and gives back its path."""
    return write_text(folder / f"{page.name}.md", page_text(page, utc_text(), commit()))


def page_text(page: Page, date: str, made_from: str) -> str:
    """The page as Markdown."""
    machine = f"{platform.system()} {platform.machine()}, Python {platform.python_version()}"
    parts = [
        f"# {page.title}",
        "",
        page.about,
        "",
        f"**{'Holds' if page.holds else 'Does not hold'}:** {page.summary}",
        "",
        f"Made {date} from commit {made_from}, on {machine}, by `python -m bench.evidence {page.name}`.",
    ]
    for table in page.tables:
        parts += ["", *_table_lines(table)]
        if table.note:
            parts += ["", table.note]
    return "\n".join(parts) + "\n"


def _table_lines(table: Table) -> list[str]:
    lines = [_row(table.header), _row(["---"] * len(table.header))]
    return lines + [_row([str(cell) for cell in row]) for row in table.rows]


def _row(cells: Sequence[str]) -> str:
    escaped = (" ".join(cell.split()).replace("|", "\\|") for cell in cells)
    return f"| {' | '.join(escaped)} |"


def commit() -> str:
    """The short commit of the working tree, with `+` where it holds changes; unknown outside git."""
    here = Path(__file__).resolve().parent

    def git(*words: str) -> str:
        done = subprocess.run(["git", *words], cwd=here, capture_output=True, text=True, check=True)
        return done.stdout.strip()

    try:
        return git("rev-parse", "--short", "HEAD") + (
            "+" if git("status", "--porcelain", "--", here.parent.name) else ""
        )
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
