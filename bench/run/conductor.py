"""One run from opening the link to the verdict: listen, go home, play the plan, switch off.

Everything that comes in is recorded first and judged as recorded. Every stimulus has an absolute
deadline; the bench watches before it stimulates; every way out leads through safe-off.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from bench.core.clock import Clock, cpu_ns, elapsed_ns
from bench.core.entry import Ended, Started, StepMark, SupplyMeter
from bench.core.errors import BenchError, HardstandError
from bench.core.link import Link, stamp_error_ms
from bench.core.plan import OF_PERSON, Plan, Step
from bench.core.verdict import Verdict
from bench.definitions import Definitions
from bench.rig import SuppliedLink
from bench.spec.model import Spec

from .allowed import Allowed
from .bus import AHEAD_NS, AT_LINK_NS, MS, Bus, RunStopped
from .guard_process import GuardProcess
from .hands import Hands
from .heart import Heart
from .home import listen, switch_off, wake_boxes, walk_counters
from .limits import Alarms, hung_after_s
from .off_data import CounterBook, OffData
from .operator import LIMIT_S, Asking, Operator
from .ports import Judges, Writes
from .result import RunResult
from .safe_off import WATCH_MS, OffResult
from .stop import StopFlag

Progress = Callable[[float, float, str], None]  # done ms, total ms, what is under way
LISTEN_FIRST_MS = 400.0  # heard before the first stimulus, so that the judge has a start
DWELL_MS = 500.0
LATE_MS = 20.0  # a step this late moves all later ones by as much
FIRST_STEP_MS = 200.0
SUPPLY_S = 5.0  # longest wait for the supply to confirm at the end


Gate = Callable[[Step], bool]  # whether a step may be done now; asked again and again until it may
GATE_MS = 50.0


def no_progress(done_ms: float, total_ms: float, about: str) -> None:
    """Says nothing."""


class Conductor:
    """Conducts one run. Thread: one. `with_guard`: start one before the first stimulus (real links)."""

    def __init__(
        self, spec: Spec, definitions: Definitions, plan: Plan, link: Link, clock: Clock, recorder: Writes,
        assessor: Judges, off: OffData, *, stop: StopFlag, progress: Progress = no_progress,
        until_first: bool = False, session: Path | None = None, with_guard: bool = False,
        gate: Gate | None = None, operator: Operator | None = None,
        allowed: Allowed | None = None, answer_within_s: float = LIMIT_S,
    ) -> None:  # fmt: skip
        self.spec, self.definitions, self.plan, self.link, self.clock = spec, definitions, plan, link, clock
        self.recorder, self.assessor, self.off, self.progress = recorder, assessor, off, progress
        self.stop = stop
        sender = definitions.sender()
        self.heart = Heart(sender.heartbeats())
        self.bus = Bus(link, clock, recorder, assessor, self.heart, stop, until_first=until_first)
        self.bus.allowed, self.bus.alarms = allowed, Alarms(spec.circuits)
        self.hands = Hands(self.bus, spec, sender)
        self.session, self.gate = session, gate
        self.asking = (
            Asking(self.bus, spec, operator, clock, answer_within_s) if operator is not None else None
        )
        self.with_guard = with_guard
        self.guard: GuardProcess | None = None
        self.steps_done = 0
        self.stimulated = self.gave_up = False
        self.warnings: list[str] = []
        self.off_result: OffResult | None = None
        self.total_ms = plan.duration_ms + 5000.0

    def run(self) -> RunResult:
        """On an open link, which it closes. Raises BenchError when nothing at all could be done."""
        cpu, real = cpu_ns(), elapsed_ns()
        start_ns = self.clock.now_ns()
        reason = "complete"
        failure: HardstandError | None = None
        try:
            try:
                self._play()
            except RunStopped as e:
                reason = e.reason
            except BenchError as e:
                reason, failure = f"bench failed: {e.complaints[0].text}", e
            except BaseException as e:
                reason = f"internal error: {type(e).__name__}"
                raise
            finally:
                self._switch_off()
        finally:
            verdict = self._end(reason)
            statistics = self.link.statistics()
            self.link.close()
            if isinstance(self.link, SuppliedLink) and self.link.left_on:
                self._warn(self.link.left_on)
            self._after_guard()
        figures = {
            "cpu_s": (cpu_ns() - cpu) / 1e9,
            "real_s": (elapsed_ns() - real) / 1e9,
            "bench_s": (self.clock.now_ns() - start_ns) / 1e9,
            "frames": float(self.bus.frames),
        }
        if failure is not None and not self.bus.frames:
            raise failure
        return RunResult(
            verdict=verdict, reason=reason, plan=self.plan, off=self.off_result, steps_done=self.steps_done,
            signal_number=self.stop.signal_number, identity=self._identity(), statistics=statistics,
            folder=self.session, frames=self.bus.frames, bench_s=figures["bench_s"],
            warnings=tuple(self.warnings), figures=figures,
        )  # fmt: skip

    # -- before the plan

    def _play(self) -> None:
        bus = self.bus
        self._prepare_off()
        jitter_ms, evidence = self._jitter()
        bus.pump(self.clock.now_ns())  # what the link has seen so far lies before the start
        facts = self.link.facts
        bus.mark(Started(bus.t_ns, jitter_ms, evidence, int(facts.complete), int(facts.timely)))
        if (meter := facts.meter) is not None:
            bus.mark(SupplyMeter(bus.t_ns, meter.detects_a, meter.lag_ms))
        self.progress(0.0, self.total_ms, "listening")
        if not facts.switches_supply:  # else the first thing is to take the supply away
            bus.pump(self.clock.now_ns() + int(LISTEN_FIRST_MS * MS))
        self.stimulated = True
        self.heart.start(self.clock.now_ns() + AHEAD_NS)
        self.hands.begin(self.clock.now_ns() + AHEAD_NS)
        self.progress(0.0, self.total_ms, "going home")
        wake_boxes(bus, self.spec, self.hands)
        self._listen()
        bus.mark(StepMark(bus.t_ns, -1, "switch off what is on", "home"))
        reached = switch_off(bus, self.off)
        if not reached.all_off:
            self._warn(f"not everything could be switched off before the start: {reached.text()}")
        for name in walk_counters(bus, self.spec, self.hands, DWELL_MS):
            self._warn(f"the position of {name} could not be brought to a known one before the start")
        bus.pump(self.clock.now_ns() + int(DWELL_MS * MS))
        if bus.book is not None:
            self.hands.count_on(bus.book)
        self._steps()

    def _jitter(self) -> tuple[float, str]:
        """From the link's own evidence, before any stimulus; never from frames of the box."""
        declared_ms = self.link.facts.jitter_ms
        trip_ms = self.link.loop_test()
        if trip_ms is None:
            return declared_ms, f"declared by {self.link.facts.name}: {declared_ms:g} ms; no loop test"
        pause_ms = self.link.facts.pause_ms
        more = f" and {pause_ms:g} ms" if pause_ms else ""
        text = f"loop test {trip_ms:.3f} ms, twice that{more} or the declared {declared_ms:g} ms"
        return stamp_error_ms(declared_ms, trip_ms, pause_ms), text

    def _listen(self) -> None:
        found = listen(self.bus, self.spec, self.definitions)
        silent = found.silent(self.spec)
        if len(silent) == len(self.spec.boxes):
            raise RunStopped(f"nothing heard from {', '.join(silent)}; check bit rate, wiring and supply")
        if found.missing:
            self._warn(f"never heard before the start: {', '.join(found.missing)}")
        identity = self._identity()
        if identity:
            self.recorder.add_to_header(identity=identity)

    def _prepare_off(self) -> None:
        self.bus.book = CounterBook(self.off)
        if self.session is not None:
            try:
                (self.session / "safe_off.json").write_text(self.off.to_json(), encoding="utf-8")
            except OSError as e:
                raise BenchError(f"cannot write safe_off.json: {e.strerror}") from e
        if self.with_guard and self.session is not None:
            self.guard = GuardProcess(self.session)
            self.guard.start()
            self.bus.tell_guard = self.guard.tell
            self.bus.tell_guard_of_hand = self.guard.by_hand
            self.bus.beat_guard = self.guard.beat
            if self.bus.allowed is not None:
                self.guard.hangs_after(hung_after_s(self.bus.allowed.limits))
                self.bus.allowed.tell = self.guard.off_within

    # -- the plan

    def _steps(self) -> None:
        bus, plan = self.bus, self.plan
        base_ns = self.clock.now_ns() + int(FIRST_STEP_MS * MS)
        allowed = bus.allowed
        if allowed is not None:
            allowed.begin(base_ns)
        for i, step in enumerate(plan.steps):
            at_ns = base_ns + round(step.at_ms * MS)
            bus.pump(at_ns - AHEAD_NS)
            while self.gate is not None and not self.gate(step):
                bus.pump(self.clock.now_ns() + int(GATE_MS * MS))
            late_ns = self.clock.now_ns() - at_ns
            if late_ns > LATE_MS * MS:  # keep the plan's spacing rather than its clock
                base_ns += late_ns
                at_ns += late_ns
            if self.asking is not None and self.asking.leaves_out(step):
                continue
            if allowed is not None:
                self._refuse(allowed.refuses(plan, i, at_ns), i)
                allowed.sent(step, at_ns, self.clock.now_ns())
            self.progress(step.at_ms, self.total_ms, step.about or f"{step.kind} {step.name}")
            bus.mark(StepMark(bus.t_ns, i, step.about or f"{step.kind} {step.name}", "test"))
            if step.kind in OF_PERSON and self.asking is not None:
                self.asking.play(step)
                base_ns += max(0, self.clock.now_ns() - at_ns)  # what comes next keeps its distance
            else:
                self.hands.play(at_ns, step)
            self.steps_done = i + 1
        bus.pump(base_ns + round(plan.duration_ms * MS))

    def _refuse(self, why: str, index: int) -> None:
        if why:
            step = self.plan.steps[index]
            raise RunStopped(f"step {index} ({step.kind} {step.name}) was not sent: {why}")

    # -- the end

    def _switch_off(self) -> None:
        bus = self.bus
        bus.ending = True
        if bus.allowed is not None:
            bus.allowed.end()
        if not self.stimulated:
            return
        self.progress(self.plan.duration_ms, self.total_ms, "switching off")
        try:
            bus.mark(StepMark(bus.t_ns, -1, "switch off what is on", "off"))
            now_ns = self.clock.now_ns()
            later_ns = now_ns + AT_LINK_NS  # what the link holds still says held, and active
            held = self.hands.let_go(now_ns)
            self.hands.speak(now_ns)
            if held or self.hands.active:
                bus.pump(later_ns - AHEAD_NS)
                self.hands.rest(later_ns, again=held)
                bus.pump(later_ns + AHEAD_NS)
            self.off_result = switch_off(bus, self.off, watch_ms=WATCH_MS)
            if self.link.facts.switches_supply:
                for box in self.spec.boxes:
                    self.link.switch_supply_at(self.clock.now_ns(), box, False)
                bus.pump(self.clock.now_ns() + 100 * MS)
                self._await_supply()
                if not self.off_result.all_off:
                    self._warn("the supply was switched off with circuits on")
        except RunStopped as e:
            self.off_result = self._last_known()
            self._warn(f"switching off was cut short: {e.reason}; {self.off_result.text()}")
            if self.guard is not None:  # the port may come back: let the guard try
                self.gave_up = True
                self.guard.abandon()
        else:
            if self.guard is not None:
                self.guard.done()

    def _await_supply(self) -> None:
        """The guard is let go only once the supply has confirmed that it is off, or never will."""
        end_ns = self.clock.now_ns() + int(SUPPLY_S * 1000) * MS
        while isinstance(self.link, SuppliedLink) and not self.link.settled and self.clock.now_ns() < end_ns:
            self.bus.pump(self.clock.now_ns() + 50 * MS)

    def _last_known(self) -> OffResult:
        """What stays on by the last reports there were."""
        last = {c: self.assessor.reported.get(f"state:{c}") for c in self.off.circuits}
        return OffResult(
            stays_on=tuple(c for c, seen in last.items() if seen is not None and seen.value),
            not_heard=tuple(c for c, seen in last.items() if seen is None or seen.value is None),
            pressed=0, comes_on_later=self.off.comes_on_later, log=("the link was lost",),
        )  # fmt: skip

    def _end(self, reason: str) -> Verdict:
        for circuit in sorted(self.asking.may_be_by_hand) if self.asking is not None else ():
            self._warn(f"{circuit} may still be by hand and on: nobody confirmed that it was put back")
        self.heart.stop()
        self.bus.mark(Ended(self.bus.t_ns, reason))
        verdict = self.assessor.finish()
        more = {"reason": reason, "steps_done": self.steps_done, "warnings": list(self.warnings)}
        if self.off_result is not None:
            more["safe_off"] = {
                "stays_on": list(self.off_result.stays_on),
                "not_heard": list(self.off_result.not_heard),
                "comes_on_later": list(self.off_result.comes_on_later),
                "log": list(self.off_result.log),
            }
        try:
            self.recorder.close(**more)
        except BenchError as e:
            self._warn(str(e))
        self.progress(self.total_ms, self.total_ms, "done")
        return verdict

    def _after_guard(self) -> None:
        if self.guard is None or not self.gave_up:
            return
        reached = self.guard.wait_result()
        self._warn(f"the guard took over: {reached.get('text') or reached.get('trouble')}")

    def _identity(self) -> dict[str, str]:
        out: dict[str, str] = {}
        for signal, seen in self.assessor.reported.items():
            kind, _, subject = signal.partition(":")
            if kind == "identity":
                out[subject] = seen.reason or f"{seen.raw:X}"
        return out

    def _warn(self, text: str) -> None:
        self.warnings.append(text)
