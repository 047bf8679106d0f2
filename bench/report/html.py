"""report.html: one self-contained page, for a phone, a desk and paper. No script, nothing fetched."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from html import escape

from bench.core.verdict import EXIT_STATUS, Discrepancy, Verdict
from bench.report.html_style import STYLE
from bench.report.material import FrameLine, Material, how_sure, that_follow, what_was_done, when
from bench.report.text import printable

GROUPS = (("circuit", "Circuits"), ("control", "Controls"), ("other", "Box and bench"))


def html_report(material: Material) -> str:
    """The whole page. Every text that came from a spec, a box or a bus is escaped."""
    verdict = material.verdict
    body = [
        _top(material),
        _discrepancies(material),
        _accepted(material),
        _doubts(material),
        _asked(material),
        _known(material),
        _tested(material),
        _pairs("Not tested", verdict.not_tested, "Circuit or control", "Why", "Nothing was left out."),
        _pairs("Smallest fault that would have been seen", verdict.detection, "Of", "Limit", ""),
        _cautions(material),
        _pairs("This session", material.facts, "What", "Value", ""),
    ]
    title = f"{verdict.outcome.upper()}: {material.title}"
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(title)}</title>\n<style>{STYLE}</style>\n</head>\n"
        f"<body>\n<main>\n{''.join(body)}</main>\n</body>\n</html>\n"
    )


def _text(value: str) -> str:
    return escape(printable(value), quote=True)


def _section(title: str, inner: str) -> str:
    return f"<section>\n<h2>{_text(title)}</h2>\n{inner}</section>\n" if inner else ""


def _top(material: Material) -> str:
    verdict = material.verdict
    count = len(verdict.discrepancies)
    following = sum(len(d.consequences) for d in verdict.discrepancies)
    line = f"{count} {'discrepancy' if count == 1 else 'discrepancies'}"
    if following:
        line += f", {that_follow(following)} from {'it' if count == 1 else 'them'}"
    if verdict.accepted:
        line += f", {len(verdict.accepted)} accepted"
    if verdict.doubts:
        line += f", {len(verdict.doubts)} in doubt"
    return (
        f'<header class="{verdict.outcome}">\n<p class="boat">{_text(material.title)}</p>\n'
        f"<h1>{verdict.outcome.capitalize()}</h1>\n<p>{_text(line)}</p>\n"
        f'<p class="scope">{_text(verdict.scope or "Nothing was declared as covered.")}</p>\n'
        f'<p class="small">{verdict.judged_samples} values judged, '
        f"exit status {EXIT_STATUS[verdict.outcome]}</p>\n"
        "</header>\n"
    )


def _discrepancies(material: Material) -> str:
    return _section("Discrepancies", "".join(_card(material, d) for d in material.verdict.discrepancies))


def _accepted(material: Material) -> str:
    rows = [
        (d.root.subject, d.root.kind, what_was_done(material, d.root), d.root.expected, d.root.seen,
         one.reason, one.who, one.expires)
        for one in material.verdict.accepted
        for d in (one.discrepancy,)
    ]  # fmt: skip
    head = ("Subject", "Kind", "Done", "Expected", "Seen", "Why accepted", "By", "Until")
    return _section("Accepted", _rows(head, rows) if rows else "")


def _card(material: Material, discrepancy: Discrepancy) -> str:
    root = discrepancy.root
    rows = {
        "Done": what_was_done(material, root),
        "Expected": root.expected,
        "Seen": root.seen,
        "When": when(material, root),
        "How sure": how_sure(root),
        "Signal": f"{root.signal} ({root.kind})",
    }
    if discrepancy.also:
        rows["At the same instant"] = ", ".join(discrepancy.also)
    parts = "".join(f"<dt>{_text(k)}</dt><dd>{_text(v)}</dd>\n" for k, v in rows.items())
    return (
        f'<article id="d{discrepancy.number}">\n'
        f"<h3>#{discrepancy.number} {_text(discrepancy.subject)}</h3>\n<dl>{parts}</dl>\n"
        f"{_excerpt(material, discrepancy)}{_consequences(material, discrepancy)}</article>\n"
    )


def _excerpt(material: Material, discrepancy: Discrepancy) -> str:
    lines = material.excerpts.get(discrepancy.number, ())
    if not lines:
        return ""
    rows = "".join(_frame_row(material, line) for line in lines)
    head = "<tr><th>Frame</th><th>At</th><th></th><th>Bytes</th><th>Meaning</th></tr>"
    return (
        f'<div class="wide"><table class="frames"><thead>{head}</thead><tbody>{rows}</tbody></table></div>\n'
    )


def _frame_row(material: Material, line: FrameLine) -> str:
    row, arrow = (' class="here"', " ◂") if line.is_evidence else ("", "")
    way = "sent" if line.direction == "T" else "seen"
    cells = (
        f"{line.index}{arrow}",
        _text(material.seconds(line.t_ns)),
        way,
        f"<code>{_text(line.text)}</code>",
    )
    return f"<tr{row}>{''.join(f'<td>{cell}</td>' for cell in (*cells, _text(line.means)))}</tr>\n"


def _consequences(material: Material, discrepancy: Discrepancy) -> str:
    if not discrepancy.consequences:
        return ""
    rows = [
        (material.seconds(c.t_ns), c.subject, what_was_done(material, c), c.expected, c.seen)
        for c in discrepancy.consequences
    ]
    count = len(rows)
    return (
        f"<details><summary>{that_follow(count)} from it</summary>\n"
        f"{_rows(('At', 'Subject', 'Done', 'Expected', 'Seen'), rows)}</details>\n"
    )


def _doubts(material: Material) -> str:
    rows = [(material.seconds(d.t_ns), d.subject or "the run", d.reason) for d in material.verdict.doubts]
    return _section("In doubt", _rows(("At", "Subject", "Why"), rows) if rows else "")


def _asked(material: Material) -> str:
    rows = [(str(q.number), material.seconds(q.t_ns), q.text, q.words) for q in material.asked]
    return _section("Asked of a person", _rows(("No.", "At", "Question", "Answer"), rows) if rows else "")


def _known(material: Material) -> str:
    """From when each circuit's state was known, where a recording may begin in the middle."""
    if not material.from_the_middle:
        return ""
    rows = [(when_known, ", ".join(circuits)) for when_known, circuits in material.known_from().items()]
    return _section("State known from", _rows(("At", "Circuits"), rows))


def _rows(header: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    head = "".join(f"<th>{_text(title)}</th>" for title in header)
    open_ = ['<td class="whole">' if title in ("No.", "At") else "<td>" for title in header]
    body = "".join(
        "<tr>" + "".join(f"{td}{_text(cell)}</td>" for td, cell in zip(open_, row, strict=True)) + "</tr>\n"
        for row in rows
    )
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>\n'


def _tested(material: Material) -> str:
    verdict = material.verdict
    inner = ""
    for group, title in GROUPS:
        rows = [
            (subject, shown, _result(verdict, subject))
            for subject, shown in verdict.tested.items()
            if material.group_of(subject) == group
        ]
        if rows:
            inner += f"<h3>{title}</h3>\n" + _rows(
                (title[:-1] if title.endswith("s") else title, "Shown", "Result"), rows
            )
    return _section("Tested", inner)


def _result(verdict: Verdict, subject: str) -> str:
    numbers = [f"#{d.number}" for d in verdict.discrepancies if subject in (d.subject, *d.also)]
    if numbers:
        return f"discrepancy {', '.join(numbers)}"
    return "in doubt" if any(doubt.subject == subject for doubt in verdict.doubts) else "as agreed"


def _pairs(title: str, items: Mapping[str, str], left: str, right: str, empty: str) -> str:
    if not items:
        return _section(title, f"<p>{_text(empty)}</p>\n" if empty else "")
    return _section(title, _rows((left, right), items.items()))


def _cautions(material: Material) -> str:
    items = "".join(f"<li>{_text(caution)}</li>\n" for caution in material.cautions)
    return _section("Cautions", f"<ul>{items}</ul>\n" if items else "")
