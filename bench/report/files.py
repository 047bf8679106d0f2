"""Result files for programs: verdict.json, discrepancies.jsonl, discrepancies.csv."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from bench.core.verdict import EXIT_STATUS, Deviation, Verdict
from bench.report.material import Material, how_sure

COLUMNS = (
    "number",
    "role",
    "circuit",
    "kind",
    "signal",
    "noticed_s",
    "done",
    "done_s",
    "control",
    "step",
    "expected",
    "seen",
    "frame",
    "how_sure",
)


def verdict_document(material: Material) -> dict[str, Any]:
    """The verdict as plain JSON data; instants in integer nanoseconds, `start_ns` among them."""
    verdict = material.verdict
    return {
        "hardstand_verdict": 1,
        "boat": material.title,
        "status": EXIT_STATUS[verdict.outcome],
        "start_ns": material.start_ns,
        **asdict(verdict),
        "facts": dict(material.facts),
        **({"asked": [asdict(question) for question in material.asked]} if material.asked else {}),
    }


def verdict_json(material: Material) -> str:
    """verdict.json: keys in a fixed order, so that equal verdicts are equal files."""
    return json.dumps(verdict_document(material), indent=2, ensure_ascii=False) + "\n"


def _deviations(verdict: Verdict) -> Iterator[tuple[int, str, Deviation]]:
    for discrepancy in verdict.discrepancies:
        yield discrepancy.number, "root", discrepancy.root
        for consequence in discrepancy.consequences:
            yield discrepancy.number, "consequence", consequence
    for one in verdict.accepted:
        yield one.discrepancy.number, "accepted", one.discrepancy.root
        for consequence in one.discrepancy.consequences:
            yield one.discrepancy.number, "accepted consequence", consequence


def discrepancies_jsonl(material: Material) -> str:
    """One line for each root and each consequence; those that are accepted come last and say so."""
    lines = [
        json.dumps({"number": number, "role": role, **asdict(deviation)}, ensure_ascii=False)
        for number, role, deviation in _deviations(material.verdict)
    ]
    return "".join(f"{line}\n" for line in lines)


def discrepancies_csv(material: Material) -> str:
    """The same for spreadsheets; seconds count from the start of the session."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for number, role, deviation in _deviations(material.verdict):
        writer.writerow([number, role, *(_cell(value) for value in _values(material, deviation))])
    return out.getvalue()


def _values(material: Material, deviation: Deviation) -> list[object]:
    def seconds(t_ns: int | None) -> str:
        return "" if t_ns is None else f"{(t_ns - material.start_ns) / 1e9:.6f}"

    return [
        deviation.subject,
        deviation.kind,
        deviation.signal,
        seconds(deviation.t_ns),
        deviation.cause,
        seconds(deviation.cause_t_ns),
        deviation.cause_control,
        "" if deviation.step is None else deviation.step,
        deviation.expected,
        deviation.seen,
        "" if deviation.frame_index is None else deviation.frame_index,
        how_sure(deviation),
    ]


def _cell(value: object) -> object:
    """A text that a spreadsheet would run as a formula is set behind an apostrophe."""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@") and not _is_number(value):
        return f"'{value}"
    return value


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
