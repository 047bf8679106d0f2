"""Writes all result files of a session into its folder, each whole or not at all."""

from __future__ import annotations

from collections.abc import Callable
from errno import EISDIR
from pathlib import Path

from bench.core.errors import BenchError, Complaint, UsageError
from bench.report.files import discrepancies_csv, discrepancies_jsonl, verdict_json
from bench.report.html import html_report
from bench.report.junit import junit_xml
from bench.report.material import Material

RESULT_FILES: dict[str, Callable[[Material], str]] = {
    "verdict.json": verdict_json,
    "discrepancies.jsonl": discrepancies_jsonl,
    "discrepancies.csv": discrepancies_csv,
    "junit.xml": junit_xml,
    "report.html": html_report,
}


def write_results(folder: Path, material: Material) -> list[Path]:
    """The files written, in the order of RESULT_FILES; those of an earlier judging are replaced.

    Raises: BenchError when the folder cannot be written.
    """
    return [write_text(folder / name, make(material)) for name, make in RESULT_FILES.items()]


def write_text(path: Path, text: str) -> Path:
    """Raises: UsageError when a file or folder is in the way, BenchError when `path` cannot be written."""
    part = path.with_name(path.name + ".part")
    try:
        if path.is_dir():
            raise IsADirectoryError(EISDIR, "there is a folder of that name")
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(path)
    except (FileExistsError, NotADirectoryError, IsADirectoryError) as error:
        text = f"cannot write: {error.strerror or error}"
        raise UsageError(Complaint(text, path=str(path), advice="name another place")) from error
    except OSError as error:
        raise BenchError(
            Complaint(
                f"cannot write: {error.strerror or error}",
                path=str(path),
                advice="is the disk full, or the folder read-only?",
            )
        ) from error
    return path
