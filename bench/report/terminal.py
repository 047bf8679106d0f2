"""A verdict as text for a terminal or a log. Colour repeats what the words say, never replaces it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from typing import TextIO

from bench.core.verdict import FAIL, INCONCLUSIVE, PASS, Discrepancy, Verdict
from bench.report.material import Material, how_sure, that_follow, what_was_done, when
from bench.report.text import hanging, printable, table, wrap

_SGR = {PASS: "1;32", FAIL: "1;31", INCONCLUSIVE: "1;33"}
TABLE_FROM = 100  # columns from which a table is readable; narrower terminals get blocks
LISTED = 12  # doubts and untested items shown before "... and n more"
_HEADER = ("no.", "circuit", "what was done", "expected", "seen", "when", "how sure")


def wants_colour(stream: TextIO, environ: Mapping[str, str] = os.environ) -> bool:
    """Only on a terminal, and not when NO_COLOR is set to anything or TERM is dumb."""
    return stream.isatty() and not environ.get("NO_COLOR") and environ.get("TERM") != "dumb"


def width_of(stream: TextIO) -> int:
    """Columns to write for: the terminal's, or 100 where there is none."""
    return max(40, shutil.get_terminal_size((100, 24)).columns) if stream.isatty() else 100


def verdict_text(material: Material, *, width: int = 100, colour: bool = False, where: str = "") -> str:
    """The whole account, verdict first. `where`: the folder that holds the evidence."""
    verdict = material.verdict
    parts = [
        _headline(verdict, width, colour),
        _failures(material, width),
        _accepted(material, width),
        _doubts(material, width),
        _asked(material, width),
        _known(material, width),
        _listing("not tested", verdict.not_tested, width),
        _listing("smallest fault that would be seen", verdict.detection, width),
    ]
    if where:
        parts.append([f"evidence: {where}"])
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def _headline(verdict: Verdict, width: int, colour: bool) -> list[str]:
    word = verdict.outcome.upper()
    scope = verdict.scope or "nothing was declared as covered"
    count = len(verdict.discrepancies)
    if count:
        following = sum(len(d.consequences) for d in verdict.discrepancies)
        found = f"{count} {'discrepancy' if count == 1 else 'discrepancies'}"
        scope = f"{found}{f', {that_follow(following)}' if following else ''}; {scope}"
    elif verdict.outcome == INCONCLUSIVE and verdict.doubts:
        scope = f"{verdict.doubts[0].reason}; {scope}"
    if verdict.accepted:
        scope = f"{len(verdict.accepted)} accepted; {scope}"
    lines = wrap(f"{word}: {scope}", width)
    if colour:
        lines[0] = lines[0].replace(word, f"\x1b[{_SGR[verdict.outcome]}m{word}\x1b[0m", 1)
    return lines


def _row(material: Material, discrepancy: Discrepancy) -> list[str]:
    root = discrepancy.root
    return [
        f"#{discrepancy.number}",
        discrepancy.subject,
        what_was_done(material, root),
        root.expected,
        root.seen,
        when(material, root),
        how_sure(root),
    ]


def _note(discrepancy: Discrepancy) -> str:
    """What is folded away: circuits that deviated with it, and what followed."""
    parts = []
    if discrepancy.also:
        parts.append(f"at the same instant: {', '.join(discrepancy.also)}")
    if discrepancy.consequences:
        parts.append(f"+ {that_follow(len(discrepancy.consequences))} from it")
    return "; ".join(parts)


def _failures(material: Material, width: int) -> list[str]:
    rows = [_row(material, d) for d in material.verdict.discrepancies]
    notes = [_note(d) for d in material.verdict.discrepancies]
    if not rows:
        return []
    if width >= TABLE_FROM:
        return table(_HEADER, rows, width, notes)
    lines = []
    for row, note in zip(rows, notes, strict=True):
        lines.append(f"{row[0]} {printable(row[1])}")
        for label, cell in zip(_HEADER[2:], row[2:], strict=True):
            first, *more = wrap(cell, width - 18)
            lines += [f"   {label:<14} {first}", *(f"{'':18}{line}" for line in more)]
        lines += wrap(note, width, "   ") if note else []
    return lines


def _accepted(material: Material, width: int) -> list[str]:
    lines = []
    for one in material.verdict.accepted:
        root = one.discrepancy.root
        text = f"{root.subject}: {root.kind}, {what_was_done(material, root)}, expected {root.expected}, "
        text += f"seen {root.seen}. Accepted by {one.who} until {one.expires}: {one.reason}"
        lines += hanging(text, width)
    return ["accepted:", *lines] if lines else []


def _doubts(material: Material, width: int) -> list[str]:
    doubts = material.verdict.doubts
    if not doubts:
        return []
    lines = ["in doubt:"]
    for doubt in doubts[:LISTED]:
        subject = f"{doubt.subject}: " if doubt.subject else ""
        lines += hanging(f"{material.seconds(doubt.t_ns)}  {subject}{doubt.reason}", width)
    return lines + _more(len(doubts) - LISTED)


def _asked(material: Material, width: int) -> list[str]:
    """Questions to a person that were not just answered with yes, and how many were."""
    told = [q for q in material.asked if q.answer != "done" or q.comment]
    if not material.asked:
        return []
    lines = [
        f"asked of a person: {len(material.asked)} questions, {len(material.asked) - len(told)} plain yes"
    ]
    for q in told[:LISTED]:
        lines += hanging(f"{material.seconds(q.t_ns)}  {q.number}. {q.text} {q.words}", width)
    return lines + _more(len(told) - LISTED)


def _known(material: Material, width: int) -> list[str]:
    """From when each circuit's state was known, where a recording may begin in the middle."""
    if not material.from_the_middle:
        return []
    lines = ["state known from:"]
    for when_known, circuits in material.known_from().items():
        lines += hanging(f"{when_known}  {', '.join(circuits)}", width)
    return lines


def _listing(title: str, items: Mapping[str, str], width: int) -> list[str]:
    if not items:
        return []
    lines = [f"{title}:"]
    for reason, names in list(_by_reason(items).items())[:LISTED]:
        lines += hanging(f"{', '.join(names)}: {reason}", width)
    return lines + _more(len(_by_reason(items)) - LISTED)


def _by_reason(items: Mapping[str, str]) -> dict[str, list[str]]:
    grouped: dict[str, list[str]] = {}
    for name, reason in items.items():
        grouped.setdefault(reason, []).append(name)
    return grouped


def _more(count: int) -> list[str]:
    return [f"  ... and {count} more"] if count > 0 else []
