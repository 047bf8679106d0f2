"""The stimuli of a recording as a plan to be played again, and how late each of them came then."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field

from bench.core import event as ev
from bench.core.entry import Asked, Entry, StepMark, SupplySwitched
from bench.core.errors import Complaint, UsageError
from bench.core.frame import TX, Frame
from bench.core.plan import Plan, Step
from bench.definitions import Definitions

MS = 1_000_000
FIRST_MS = 300.0
LAST_MS = 1500.0  # watched after the last stimulus
FRAME = "frame"


@dataclass(slots=True)
class Again:
    """`plan`: what to play; `recorded_ns`: the instant each of its steps has in the recording;
    `left_out`: what cannot be done again, with why."""

    plan: Plan
    recorded_ns: list[int] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)


class _Collector:
    """What a person, a sensor or the bench did, in order; of a session of ours only what its plan did."""

    def __init__(self, definitions: Definitions, supply: bool, also: Collection[int]) -> None:
        self.steps: list[tuple[int, str, str, int]] = []
        self.left_out: dict[str, str] = {}
        self._definitions, self._supply, self._also = definitions, supply, also
        self._held: set[str] = set()
        self._sensors: dict[str, int] = {}
        self._in_plan = True

    def see(self, entry: Entry) -> None:
        if isinstance(entry, StepMark):
            self._in_plan = entry.phase == "test"
        elif isinstance(entry, SupplySwitched) and self._in_plan:
            if self._supply:
                self.steps.append((entry.t_ns, ev.SUPPLY, entry.box, entry.on))
            else:
                self.left_out[f"supply of {entry.box}"] = "this link cannot switch the supply"
        elif isinstance(entry, Asked):
            self.left_out["what a person was asked"] = "nobody is asked again"
        elif isinstance(entry, Frame):
            self._frame(entry)

    def _frame(self, frame: Frame) -> None:
        if frame.can_id in self._also and self._in_plan and not (frame.remote or frame.error):
            name = f"{frame.can_id:X}#{frame.data.hex().upper()}#{int(frame.extended)}"
            self.steps.append((frame.t_ns, FRAME, name, 1))
            return
        reading = self._definitions.decode(frame)
        if reading is None or not reading.is_control or reading.undecodable is not None:
            return
        for kind, name, value, _ in reading.events:
            if kind in (ev.PRESS, ev.RELEASE):
                is_new = (kind == ev.PRESS) != (name in self._held)
                (self._held.add if kind == ev.PRESS else self._held.discard)(name)
            elif kind == ev.SENSOR:
                is_new = self._sensors.get(name, 0) != value  # a replay begins at rest
                self._sensors[name] = value
            else:
                is_new, name = True, ""
            if is_new and self._in_plan and self._can(kind, name):
                self.steps.append((frame.t_ns, kind, name, value))

    def _can(self, kind: str, name: str) -> bool:
        why = self._definitions.cannot_send.get(name)
        if why is not None:
            self.left_out[name] = f"cannot be sent: {why}"
        return why is None

    def let_go(self, t_ns: int) -> None:
        """What is still down when the recording ends is let go."""
        down: list[str] = []
        for _, kind, name, _ in self.steps:
            if kind == ev.PRESS:
                down.append(name)
            elif kind == ev.RELEASE and name in down:
                down.remove(name)
        self.steps += [(t_ns, ev.RELEASE, name, 0) for name in down]


def play_again(
    entries: Iterable[Entry], definitions: Definitions, *, title: str, speed: float = 1.0,
    supply: bool = False, also: Collection[int] = (), part: tuple[int | None, int | None] = (None, None),
) -> Again:  # fmt: skip
    """A plan of the recording's stimuli, `speed` times as fast. `supply`: the link can switch it. `also`:
    identifiers whose frames are sent too, as recorded. `part`: first and last instant in ns.

    Raises: UsageError when there is no stimulus in it, or `also` names what a box sends itself.
    """
    _refuse_boxes(definitions, also)
    definitions.forget()
    collector = _Collector(definitions, supply, also)
    last_ns = 0
    for entry in entries:
        if part[1] is not None and entry.t_ns > part[1]:
            break
        collector.see(entry)
        last_ns = max(last_ns, entry.t_ns)
    since = part[0]
    if since is not None:
        collector.steps = _from(collector.steps, since)
    collector.let_go(last_ns)
    if not collector.steps:
        raise UsageError(Complaint(f"{title} holds no stimulus that could be played again"))
    definitions.forget()
    zero_ns = collector.steps[0][0]
    steps, instants = [], []
    for t_ns, kind, name, value in collector.steps:
        about = f"as recorded: {kind} {name.partition('#')[0]}".rstrip()
        steps.append(Step(FIRST_MS + (t_ns - zero_ns) / MS / speed, kind, name, value, about))
        instants.append(t_ns)
    plan = Plan(
        title=f"replay of {title}", steps=tuple(steps), duration_ms=steps[-1].at_ms + LAST_MS,
        not_tested=dict(collector.left_out),
    )  # fmt: skip
    return Again(plan, instants, collector.left_out)


def _from(steps: Sequence[tuple[int, str, str, int]], since_ns: int) -> list[tuple[int, str, str, int]]:
    """Those from an instant on; a release whose press lies before is none."""
    out = []
    down: set[str] = set()
    for step in steps:
        if step[0] < since_ns:
            continue
        if step[1] == ev.PRESS:
            down.add(step[2])
        elif step[1] == ev.RELEASE and step[2] not in down:
            continue
        out.append(step)
    return out


def _refuse_boxes(definitions: Definitions, also: Collection[int]) -> None:
    for can_id in also:
        for report_id, mask, _, reader in definitions.reports:
            if not (report_id ^ can_id) & mask:
                text = f"{can_id:X} is what a box sends itself ({getattr(reader, 'message', 'a report')})"
                raise UsageError(
                    Complaint(text, advice="a box cannot be judged while somebody speaks for it")
                )


@dataclass(frozen=True, slots=True)
class Lag:
    """How late the stimuli of a replay came, in ms against the first of them. `played` of `planned`."""

    played: int
    planned: int
    worst_ms: float
    median_ms: float

    def words(self, *, timed: bool = True) -> str:
        """`42 of 42 stimuli; lag at worst 0.8 ms, half of them within 0.1 ms`. `timed`: nobody waited
        between them."""
        count = f"{self.played} of {self.planned} stimuli"
        if not timed:
            return f"{count}, step by step"
        return f"{count}; lag at worst {self.worst_ms:.1f} ms, half of them within {self.median_ms:.1f} ms"


def measure_lag(entries: Iterable[Entry], plan: Plan, definitions: Definitions) -> Lag:
    """From the recording of a replay: where its stimuli lie against their deadlines."""
    definitions.forget()
    collector = _Collector(definitions, supply=True, also=())
    wanted = [s for s in plan.steps if s.kind != FRAME]
    for entry in entries:
        if not isinstance(entry, Frame) or entry.direction == TX:
            collector.see(entry)
    definitions.forget()
    lags: list[float] = []
    zero_ns: int | None = None
    at = 0
    for t_ns, kind, name, value in collector.steps:
        match = next(
            (k for k in range(at, len(wanted)) if (wanted[k].kind, wanted[k].name) == (kind, name)), None
        )
        if match is None or (kind in (ev.SENSOR, ev.SUPPLY) and wanted[match].value != value):
            continue
        at = match + 1
        if zero_ns is None:
            zero_ns = t_ns - round(wanted[match].at_ms * MS)
        lags.append(abs((t_ns - zero_ns) / MS - wanted[match].at_ms))
    lags.sort()
    middle = lags[len(lags) // 2] if lags else 0.0
    return Lag(len(lags), len(wanted), lags[-1] if lags else 0.0, middle)
