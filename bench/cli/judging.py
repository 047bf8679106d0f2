"""From a recording to a verdict and its reports: what `judge`, `report`, `run` and `demo` share."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path

from bench.assess import WHOLE, Joined, Part, Recording
from bench.assess.offline import FOREIGN_JITTER_MS
from bench.cli.accepting import read_accepted, set_apart
from bench.cli.loading import Boat, load_boat, load_boat_file
from bench.cli.near import frames_near
from bench.cli.output import print_json, warn
from bench.cli.require import parse_require, with_requirement
from bench.core.errors import Complaint, UsageError
from bench.core.frame import Frame
from bench.core.verdict import EXIT_STATUS, Verdict
from bench.report import CAUTIONS, Material, excerpts, questions, write_results
from bench.report.files import verdict_document
from bench.report.terminal import verdict_text, wants_colour, width_of
from bench.session import Session, open_session
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile


def judge_command(args: argparse.Namespace) -> int:
    """`hardstand judge`."""
    from bench.cli.recordings import open_recording, part_of

    session: Recording = open_recording(args.session)
    part = part_of(args.from_, args.to, start_ns_of(session)) if args.from_ or args.to else WHOLE
    _, material = judge_it(session, args.spec, jitter_ms=args.jitter, part=part, accepted_word=args.accepted)
    where = str(session.path)
    if args.out:
        where = str(Path(args.out))
        write_results(Path(args.out), material)
    tell(material, as_json=args.json, where=where)
    return EXIT_STATUS[material.verdict.outcome]


def report_command(args: argparse.Namespace) -> int:
    """`hardstand report`."""
    from bench.report.html import html_report
    from bench.report.write import write_text

    session = open_session(args.session)
    _, material = judge_it(session, args.spec, accepted_word=args.accepted)
    if args.html:
        written = [write_text(Path(args.html), html_report(material))]
    elif session.path.is_dir():
        written = write_results(session.path, material)
    else:
        raise UsageError(
            Complaint("a bare recording has no folder for its results", advice="name a page: --html FILE")
        )
    status = EXIT_STATUS[material.verdict.outcome]
    if args.json:
        print_json(
            {"status": status, "outcome": material.verdict.outcome, "written": [str(p) for p in written]}
        )
    else:
        print(f"{material.verdict.outcome}: {material.verdict.scope}")
        print("\n".join(str(path) for path in written))
    return status


def judged(word: str, spec_word: str | None) -> tuple[Session, Material]:
    """Opens and judges a recording by its own copies, or by the spec that is named.

    Raises: UsageError for no recording, or one without a spec; SpecError, DefinitionError, BenchError.
    """
    session = open_session(word)
    return session, judge_it(session, spec_word)[1]


def judge_it(
    session: Recording, spec_word: str | None, *, jitter_ms: float | None = None, part: Part = WHOLE,
    accepted_word: str | None = None,
) -> tuple[Recording, Material]:  # fmt: skip
    """Judges an opened recording, or a part of it. `jitter_ms`: how late stamps of another logger may be.
    `accepted_word`: a file of accepted discrepancies in place of the session's own copy.

    Raises: as `judged`; UsageError for a jitter declared of a session that brings its own.
    """
    if session.header and jitter_ms is not None:
        advice = "judge frames.log alone to declare another"
        raise UsageError(Complaint("this session brings its own jitter", str(session.path), advice=advice))
    boat = boat_of(session, spec_word)
    warn(boat.warnings)
    accepted = read_accepted(accepted_word, boat.spec, session)
    verdict = verdict_of(session, boat, jitter_ms=jitter_ms, part=part)
    verdict = set_apart(verdict, accepted, start_ns_of(session), whole=part == WHOLE)
    return session, material_of(session, boat, verdict, jitter_ms=jitter_ms)


def verdict_of(
    session: Recording, boat: Boat, *, jitter_ms: float | None = None, part: Part = WHOLE
) -> Verdict:
    """The verdict on a recording, by the one path that live judging takes too."""
    from bench.assess import assess_session

    boat.definitions.forget()
    verdict = assess_session(
        session, boat.spec, boat.definitions, boat.model, profile=_profile_of(session, boat),
        jitter_ms=jitter_ms, part=part,
    )  # fmt: skip
    require = session.header.get("require")
    if not isinstance(require, str):
        return verdict
    requirement = parse_require(require, boat.spec.circuits, boat.spec.controls)
    return with_requirement(verdict, requirement, boat.spec.circuits, start_ns_of(session))


def _profile_of(session: Recording, boat: Boat) -> BenchProfile | None:
    """The bench profile that a session was run with, when there was one."""
    from bench.spec.profile import load_profile, match_profile

    path = session.path / "bench.yaml"
    if not session.path.is_dir() or not path.exists():
        return None
    profile = load_profile(path)
    warn(match_profile(profile, boat.spec))
    return profile


def boat_of(session: Recording, spec_word: str | None) -> Boat:
    """The spec that is named, or the session's own copy. Raises: UsageError without either."""
    if spec_word is not None:
        return _same_boat(session, load_boat(spec_word))
    own = session.path / "spec.yaml" if session.path.is_dir() else None
    if own is None:
        text = "a bare recording has no spec of its own"
        raise UsageError(Complaint(text, path=str(session.path), advice="name one: --spec SPEC"))
    if not own.exists():
        text = "this session holds no copy of its spec"
        raise UsageError(Complaint(text, path=str(session.path), advice="name one: --spec SPEC"))
    return load_boat_file(own, shipped=False)


def _same_boat(session: Recording, boat: Boat) -> Boat:
    """Raises: UsageError when the session says that it was run on another boat."""
    name = session.header.get("boat", boat.spec.boat.name)
    if name == boat.spec.boat.name:
        return boat
    text = f"this session is one of {name}, the spec is for {boat.spec.boat.name}"
    advice = "name the right spec, or judge frames.log alone"
    raise UsageError(Complaint(text, path=str(session.path), advice=advice))


def material_of(
    session: Recording, boat: Boat, verdict: Verdict, *, jitter_ms: float | None = None
) -> Material:
    """What reports are made from. One more pass over the recording finds the evidence."""
    roots = [d.root for d in verdict.discrepancies]
    boat.definitions.forget()
    return Material(
        title=boat.spec.boat.name,
        verdict=verdict,
        start_ns=start_ns_of(session),
        facts=_facts(session, jitter_ms),
        groups=groups_of(boat.spec),
        excerpts=excerpts(
            frames_near(session, roots), verdict, lambda frame, signal: explain(frame, signal, boat)
        ),
        cautions=CAUTIONS,
        from_the_middle=not session.header,
        asked=questions(session.entries()) if _asks_person(session) else (),
    )


def _asks_person(session: Recording) -> bool:
    """Whether a person was asked anything, without reading all of it."""
    marks = session.path / "marks.jsonl"
    return marks.is_file() and b'"asked"' in marks.read_bytes()


def groups_of(spec: Spec) -> Mapping[str, str]:
    """Subject -> circuit | control, for everything a spec names."""
    return {**dict.fromkeys(spec.controls, "control"), **dict.fromkeys(spec.circuits, "circuit")}


def start_ns_of(session: Recording) -> int:
    """The first stamp: judging's start, or the first frame of a foreign recording."""
    from bench.assess.offline import first_ns

    return first_ns(session)


def _facts(session: Recording, jitter_ms: float | None) -> dict[str, str]:
    """session.json for people: what is nested is written as `key: value` with a dot in the key."""
    facts = {"recording": session.path.name}
    if isinstance(session, Joined):
        facts["recording"] = ", ".join(s.path.name for s in session.sessions)
    if not session.header:
        declared = FOREIGN_JITTER_MS if jitter_ms is None else jitter_ms
        facts["jitter"] = f"{declared:g} ms, {'taken for granted' if jitter_ms is None else 'declared'}"

    def add(prefix: str, value: object) -> None:
        if isinstance(value, Mapping):
            for key, inner in value.items():
                add(f"{prefix} {key}".strip(), inner)
        elif isinstance(value, list):
            facts[prefix] = ", ".join(str(item) for item in value)
        else:
            facts[prefix] = str(value)

    add("", {key: value for key, value in session.header.items() if key != "not_tested"})
    return facts


def explain(frame: Frame, signal: str, boat: Boat) -> str:
    """What a frame says, in the words of the spec, of one signal in any case; empty for frames that are not
    ours."""
    reading = boat.definitions.decode(frame)
    if reading is None:
        return ""
    if reading.undecodable is not None:
        return f"{reading.message}: {reading.undecodable.reason}"
    if reading.events:
        said = [f"{event.name} {event.kind}" for event in reading.events]
    else:
        told = sorted(reading.body, key=lambda o: o.signal != signal)
        said = [f"{o.signal} {o.value:g}" for o in told if o.value or (o.value == 0 and o.signal == signal)]
    return f"{reading.message}: {', '.join(said[:6]) or 'all 0'}{' ...' if len(said) > 6 else ''}"


def tell(material: Material, *, as_json: bool, where: str) -> None:
    """The verdict on standard output."""
    if as_json:
        print_json({**verdict_document(material), "evidence": where})
        return
    out = sys.stdout
    text = verdict_text(material, width=width_of(out), colour=wants_colour(out), where=where)
    print(text, end="")
