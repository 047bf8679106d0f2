"""What a person saw, heard or read, held against what the spec promises at that moment.

An answer comes some seconds after the look: when that was, between question and answer, is not known. So it
counts only where one thing had to be seen all that time. A *no* was said twice, and is a discrepancy.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from bench.core import look
from bench.core.entry import Answered, Asked
from bench.core.signal import Observation
from bench.judge import Judge
from bench.spec.model import Spec

from .causes import Causes
from .coverage import Coverage
from .findings import Findings
from .stimulus import Stimulus

UNKNOWN = "what was to be seen then is not known, or may have changed meanwhile"
OTHERWISE = "what was asked for is not what the spec promises at that moment"
SERIAL = re.compile(r"\bserial (\S+)")


class Looks:
    """Follows one look at a time."""

    def __init__(self, spec: Spec, judge: Judge, causes: Causes, findings: Findings) -> None:
        self._spec, self._judge, self._causes, self._findings = spec, judge, causes, findings
        self._before: Mapping[str, float] | None = None
        self._ready: tuple[str, int] = ("", 0)  # circuit, and how many stimuli there were then

    def asked(self, mark: Asked) -> None:
        """From here on the person may look."""
        self._before = self._promised(mark.name)

    def answered(
        self, asked: Asked, mark: Answered, reported: Mapping[str, Observation], coverage: Coverage
    ) -> str:
        """What the answer shows is noted; why it shows nothing, where it does not."""
        kind, subject = look.split(asked.name)
        if kind == look.READY:
            self._ready = subject, len(self._causes.all)
            return "" if mark.answer == "done" else f"nobody was ready to see or hear {subject}"
        if kind == look.LABEL:
            why = self._label(subject, mark.comment, reported)
        elif kind == look.HEARD:
            why = self._heard(subject, coverage)
        else:
            why = self._seen(asked)
        if why:
            return why
        if mark.answer == "not_so":
            self._findings.of_person(asked, mark, *self._words(kind, asked))
        else:
            coverage.looks[asked.name] = coverage.looks.get(asked.name, 0) + 1
        return ""

    # -- lamps and lighting
    def _promised(self, name: str) -> Mapping[str, float] | None:
        """Signal -> what it must show now; None where that is not known of all of them."""
        found = {signal: self._judge.indicators.must_show(signal) for signal in self._signals(name)}
        known = {signal: value for signal, value in found.items() if value is not None}
        return known if len(known) == len(found) else None

    def _signals(self, name: str) -> list[str]:
        kind, node = look.split(name)
        if kind == look.LAMPS:
            lamps = (c.name for c in self._spec.controls.values() if c.lamp is not None)
            return [f"lamp:{c}" for c in lamps if c.rpartition(" ")[0] == node]
        return [f"backlight:{node.removeprefix('panel ')}"] if kind == look.BACKLIGHT else []

    def _seen(self, asked: Asked) -> str:
        now = self._promised(asked.name)
        if not now or now != self._before:
            return UNKNOWN
        if look.split(asked.name)[0] == look.LAMPS:
            lit = sum(look.bit_of(s.partition(":")[2]) for s, value in now.items() if value)
            steady = all(value in (0.0, 1.0) for value in now.values())
            return "" if steady and lit == asked.value else OTHERWISE
        return "" if any(now.values()) == bool(asked.value) else OTHERWISE

    # -- loads and labels
    def _heard(self, circuit: str, coverage: Coverage) -> str:
        """Only what the box reported on, as it should, can have been seen or heard."""
        name, since = self._ready
        self._ready = "", 0
        done = self._causes.all[since:] if name == circuit else []
        mine = [s for s in done if s.kind == "press" and self._works(s, circuit)]
        if not mine or any(s.found or s.doubt or s.maybe or s in self._causes.pending for s in done):
            return f"it was not proved that {circuit} came on"
        if coverage.on_ns.get(circuit, -1) < mine[0].t_ns:
            return f"box {self._spec.circuits[circuit].box} never reported {circuit} steadily on"
        return ""

    def _works(self, stimulus: Stimulus, circuit: str) -> bool:
        control = self._spec.controls.get(stimulus.name)
        return control is not None and circuit in self._spec.functions[control.function].circuits

    def _label(self, box: str, read: str, reported: Mapping[str, Observation]) -> str:
        """A label that bears another number than the box reports may be another box's."""
        seen = reported.get(f"identity:{box}")
        told = SERIAL.search(seen.reason or "") if seen is not None else None
        if told is None or told[1].lstrip("0").lower() in _numbers(read):
            return ""
        return f"the label says {read!r}, and box {box} says serial {told[1]}: is it this box?"

    def _words(self, kind: str, asked: Asked) -> tuple[str, str, tuple[int, ...]]:
        """What had to be seen, what was, and the clusters that show it."""
        subject = look.split(asked.name)[1]
        if kind == look.HEARD:
            return "on, as the box reports", "nothing seen or heard", (self._judge.cluster_of[subject],)
        clusters = {i for s in self._signals(asked.name) for i in self._judge.model.indicators[s]}
        if kind == look.BACKLIGHT:
            return "lit" if asked.value else "dark", "otherwise", tuple(sorted(clusters))
        lit = [s.rpartition(" ")[2] for s, value in (self._before or {}).items() if value]
        return f"lit: {', '.join(lit) or 'none'}", "otherwise", tuple(sorted(clusters))


def _numbers(text: str) -> set[str]:
    return {word.lstrip("0").lower() for word in re.findall(r"[0-9A-Za-z]+", text)}
