"""junit.xml: failures are discrepancies, errors are doubts, skipped is what was not tested."""

from __future__ import annotations

from xml.etree import ElementTree as Xml

from bench.core.verdict import FAIL, INCONCLUSIVE, Discrepancy, Doubt
from bench.report.material import Material, how_sure, that_follow, what_was_done, when


def junit_xml(material: Material) -> str:
    """One test case for each circuit, control or other subject."""
    cases = [_case(material, subject) for subject in _subjects(material)]
    cases += _rest(
        material,
        has_failure=any(c.find("failure") is not None for c in cases),
        has_error=any(c.find("error") is not None for c in cases),
    )
    suite = Xml.Element("testsuite", name=f"hardstand {_legal(material.title)}", tests=str(len(cases)))
    for tag, attribute in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
        suite.set(attribute, str(sum(case.find(tag) is not None for case in cases)))
    facts = Xml.SubElement(suite, "properties")
    for name, value in {"scope": material.verdict.scope, **material.facts}.items():
        Xml.SubElement(facts, "property", name=_legal(name), value=_legal(value))
    suite.extend(cases)
    root = Xml.Element("testsuites")
    root.append(suite)
    Xml.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{Xml.tostring(root, encoding="unicode")}\n'


def _subjects(material: Material) -> list[str]:
    verdict = material.verdict
    failed = [subject for d in verdict.discrepancies for subject in (d.subject, *d.also)]
    doubted = [doubt.subject for doubt in verdict.doubts]
    accepted = [one.discrepancy.subject for one in verdict.accepted]
    return list(dict.fromkeys([*failed, *doubted, *accepted, *verdict.tested, *verdict.not_tested]))


def _case(material: Material, subject: str) -> Xml.Element:
    verdict = material.verdict
    name = _legal(subject) or "the run as a whole"
    case = Xml.Element("testcase", classname=f"hardstand.{material.group_of(subject)}", name=name)
    failed = [d for d in verdict.discrepancies if subject == d.subject or subject in d.also]
    doubts = [doubt for doubt in verdict.doubts if doubt.subject == subject]
    accepted = [
        f"accepted by {a.who} until {a.expires}: {a.discrepancy.root.kind}: {a.reason}"
        for a in verdict.accepted
        if a.discrepancy.subject == subject
    ]
    if failed:
        failure = Xml.SubElement(case, "failure", type=failed[0].root.kind, message=_legal(_short(failed[0])))
        failure.text = _legal("\n".join(_long(material, d) for d in failed))
    elif doubts:
        error = Xml.SubElement(case, "error", type=INCONCLUSIVE, message=_legal(doubts[0].reason))
        error.text = _legal("\n".join(_doubt(material, doubt) for doubt in doubts))
    elif accepted:
        Xml.SubElement(case, "skipped", message=_legal(accepted[0]))
    elif subject in verdict.not_tested and subject not in verdict.tested:
        Xml.SubElement(case, "skipped", message=_legal(f"not tested: {verdict.not_tested[subject]}"))
    said = [verdict.tested.get(subject, ""), *accepted]
    if subject in verdict.tested and subject in verdict.not_tested:
        said.append(f"not tested: {verdict.not_tested[subject]}")
    if failed:
        said += [_doubt(material, doubt) for doubt in doubts]
    if any(said):
        Xml.SubElement(case, "system-out").text = _legal("\n".join(filter(None, said)))
    return case


def _rest(material: Material, *, has_failure: bool, has_error: bool) -> list[Xml.Element]:
    """A verdict that no subject shows still has to turn a CI red."""
    outcome = material.verdict.outcome
    if (outcome == FAIL and has_failure) or (outcome == INCONCLUSIVE and has_error):
        return []
    if outcome not in (FAIL, INCONCLUSIVE):
        return []
    case = Xml.Element("testcase", classname="hardstand.other", name="the verdict")
    tag = "failure" if outcome == FAIL else "error"
    Xml.SubElement(case, tag, type=outcome, message=_legal(material.verdict.scope or "nothing was judged"))
    return [case]


def _short(discrepancy: Discrepancy) -> str:
    root = discrepancy.root
    return f"expected {root.expected}, seen {root.seen}"


def _long(material: Material, discrepancy: Discrepancy) -> str:
    root = discrepancy.root
    lines = [
        f"#{discrepancy.number} {discrepancy.subject}: {root.kind} ({root.signal})",
        f"done: {what_was_done(material, root)}",
        f"expected: {root.expected}",
        f"seen: {root.seen}",
        f"when: {when(material, root)}",
        f"how sure: {how_sure(root)}",
    ]
    if discrepancy.consequences:
        lines.append(f"+ {that_follow(len(discrepancy.consequences))} from it")
    return "\n".join(lines)


def _doubt(material: Material, doubt: Doubt) -> str:
    return f"{material.seconds(doubt.t_ns)} {doubt.reason}"


def _legal(text: str) -> str:
    """Without the characters that XML 1.0 does not allow (W3C XML 1.0, production 2, Char)."""
    return "".join(c if _is_char(ord(c)) else "\N{REPLACEMENT CHARACTER}" for c in text)


def _is_char(code: int) -> bool:
    return code in (0x9, 0xA, 0xD) or 0x20 <= code <= 0xD7FF or 0xE000 <= code <= 0xFFFD or code >= 0x10000
