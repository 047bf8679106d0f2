"""A comparison of two sessions: text for a terminal, JSON for programs, one page for a browser."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from html import escape
from typing import Any

from bench.compare import CANNOT_TELL, DIFFERENT, EXIT_STATUS, SAME, Comparison, Difference, Shift, Side
from bench.report.html_style import STYLE
from bench.report.text import hanging, printable, table, wrap

LISTED = 12  # of each kind, before "... and n more"
_SGR = {SAME: "1;32", DIFFERENT: "1;31", CANNOT_TELL: "1;33"}
_CLASS = {SAME: "pass", DIFFERENT: "fail", CANNOT_TELL: "inconclusive"}
_SEEN = ("what", "of", "after", "A", "B", "how often")
_MEASURED = ("what", "of", "A median (n)", "B median (n)", "shift", "floor", "Cliff's", "p adjusted")


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """Plain JSON data; instants in integer nanoseconds of each session's own clock."""
    return {"hardstand_comparison": 1, "status": EXIT_STATUS[comparison.outcome], **asdict(comparison)}


def comparison_text(comparison: Comparison, *, width: int = 100, colour: bool = False) -> str:
    """The whole account, outcome first."""
    c = comparison
    parts = [
        _headline(c, width, colour),
        [
            line
            for mark, side in (("A", c.a), ("B", c.b))
            for line in hanging(f"{mark}: {_side(side)}", width)
        ],
        _titled("seen to differ:", table(_SEEN, [_seen(c, d) for d in c.differences[:LISTED]], width))
        + _more(len(c.differences))
        if c.differences
        else [],
        _titled("measured to differ:", table(_MEASURED, [_measured(s) for s in _moved(c)], width))
        if _moved(c)
        else [],
        _listing("cannot tell, because:", c.doubts, width),
        _listing("measured:", _families(c), width),
        _listing("without a partner in A:", c.unmatched_a, width),
        _listing("without a partner in B:", c.unmatched_b, width),
        _listing("met another state, effects not compared:", c.other_context, width),
        _listing("not compared:", [f"{k}: {v}" for k, v in c.not_compared.items()], width),
        _listing("methods:", [f"{k}: {v}" for k, v in c.methods.items()], width),
    ]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def _headline(c: Comparison, width: int, colour: bool) -> list[str]:
    word = c.outcome.upper()
    lines = wrap(f"{word}: {_reason(c)}{c.scope}", width)
    if colour:
        lines[0] = lines[0].replace(word, f"\x1b[{_SGR[c.outcome]}m{word}\x1b[0m", 1)
    return lines


def _reason(c: Comparison) -> str:
    if c.outcome == DIFFERENT:
        found = dict.fromkeys(
            [f"{d.subject} ({d.kind})" for d in c.differences]
            + [f"{s.subject} ({s.family})" for s in _moved(c)]
        )
        names = list(found)
        rest = f" and {len(names) - 4} more" if len(names) > 4 else ""
        return f"{', '.join(names[:4])}{rest}; "
    return f"{c.doubts[0]}; " if c.outcome == CANNOT_TELL and c.doubts else ""


def _moved(c: Comparison) -> list[Shift]:
    return [s for s in c.shifts if s.verdict == DIFFERENT]


def _side(side: Side) -> str:
    boxes = "; ".join(f"box {box}: {text}" for box, text in side.identity.items())
    return (
        f"{side.name}, {side.boat}, {side.stimuli} stimuli, link jitter {side.jitter_ms:g} ms"
        f"{f', {boxes}' if boxes else ''}"
    )


def _seen(c: Comparison, d: Difference) -> list[str]:
    at = f" at {(d.t_a_ns - c.a.start_ns) / 1e9:.3f} s (B {(d.t_b_ns - c.b.start_ns) / 1e9:.3f} s)"
    after = f"{d.stimulus}{at}" if d.stimulus else ""
    return [d.kind, d.subject, after, d.a, d.b, f"{d.times} of {d.of}"]


def _measured(s: Shift) -> list[str]:
    unit = s.unit
    return [
        s.family,
        f"{s.subject}, {s.about}",
        f"{s.median_a:.3g} {unit} ({s.n_a})",
        f"{s.median_b:.3g} {unit} ({s.n_b})",
        f"{s.shift:+.3g} {unit}",
        f"{s.floor:.3g} {unit}",
        f"{s.delta:+.2f}",
        f"{s.p_adjusted:.2g}",
    ]


def _families(c: Comparison) -> list[str]:
    """One line for each family of quantities: how many, and the largest shift that is no difference."""
    out = []
    for family in dict.fromkeys(s.family for s in c.shifts):
        own = [s for s in c.shifts if s.family == family]
        same = [s for s in own if s.verdict == SAME]
        counts = ", ".join(
            f"{n} {word}"
            for word in (SAME, DIFFERENT, CANNOT_TELL)
            if (n := sum(s.verdict == word for s in own))
        )
        line = f"{family}: {counts}"
        if same:
            most = max(same, key=lambda s: abs(s.shift) / s.floor if s.floor else 0.0)
            line += f"; largest shift among the same {round(most.shift, 6):+.3g} {most.unit} ({most.subject}"
            line += f", {most.about}), floor {most.floor:.3g} {most.unit}"
        out.append(line)
    return out


def _titled(title: str, lines: Sequence[str]) -> list[str]:
    return [title, *lines]


def _more(count: int) -> list[str]:
    return [f"  ... and {count - LISTED} more"] if count > LISTED else []


def _listing(title: str, items: Iterable[str], width: int) -> list[str]:
    items = list(items)
    if not items:
        return []
    return [title, *(line for item in items[:LISTED] for line in hanging(item, width)), *_more(len(items))]


def comparison_html(comparison: Comparison) -> str:
    """One self-contained page; no script, nothing fetched; every text is escaped."""
    c = comparison
    title = f"{c.outcome.upper()}: {c.a.name} and {c.b.name}"
    top = (
        f'<header class="{_CLASS[c.outcome]}">\n<p class="boat">{_text(c.a.boat)}</p>\n'
        f"<h1>{c.outcome.capitalize()}</h1>\n<p>{_text(_reason(c) + c.scope)}</p>\n"
        f'<p class="small">exit status {EXIT_STATUS[c.outcome]}</p>\n</header>\n'
    )
    verdicts = [[*_measured(s), s.verdict, s.why] for s in c.shifts]
    body = [
        top,
        _list("Sessions", [f"A: {_side(c.a)}", f"B: {_side(c.b)}"]),
        _table("Seen to differ", _SEEN, [_seen(c, d) for d in c.differences]),
        _table("Measured to differ", _MEASURED, [_measured(s) for s in _moved(c)]),
        _list("Cannot tell, because", c.doubts),
        _list("Without a partner in A", c.unmatched_a),
        _list("Without a partner in B", c.unmatched_b),
        _list("Met another state, effects not compared", c.other_context),
        _list("Not compared", [f"{k}: {v}" for k, v in c.not_compared.items()]),
        _table("Everything measured", (*_MEASURED, "verdict", "why"), verdicts),
        _list("Methods", [f"{k}: {v}" for k, v in c.methods.items()]),
    ]
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(title)}</title>\n<style>{STYLE}</style>\n</head>\n"
        f"<body>\n<main>\n{''.join(body)}</main>\n</body>\n</html>\n"
    )


def _text(value: str) -> str:
    return escape(printable(value), quote=True)


def _list(title: str, items: Sequence[str]) -> str:
    if not items:
        return ""
    inner = "".join(f"<li>{_text(item)}</li>\n" for item in items)
    return f"<section>\n<h2>{_text(title)}</h2>\n<ul>\n{inner}</ul>\n</section>\n"


def _table(title: str, header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    if not rows:
        return ""
    head = "".join(f"<th>{_text(cell)}</th>" for cell in header)
    lines = "".join(f"<tr>{''.join(f'<td>{_text(cell)}</td>' for cell in row)}</tr>\n" for row in rows)
    return (
        f'<section>\n<h2>{_text(title)}</h2>\n<div class="wide"><table>\n<thead><tr>{head}</tr></thead>\n'
        f"<tbody>\n{lines}</tbody>\n</table></div>\n</section>\n"
    )
