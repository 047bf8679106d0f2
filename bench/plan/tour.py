"""A tour of one cluster: every transition of its machine, in the least time, as a script."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Collection, Iterator, Sequence
from copy import copy

from bench.core.plan import Step, Toured

from .act import Act, Script
from .choice import edges_of, worth
from .desk import Desk
from .earns import earns, effect_of
from .machine import Machine, Move
from .meanwhile import EVERY_MS, NEAR_MS, first_wait_first, there_and_back
from .pair_walk import PairWalk
from .postman import closed_tour, walk_to
from .separate import Checks
from .sequences import Sequences

MOST_MOVES = 220  # more than that take too long on the bench
SLACK_MS = 1500.0  # stimuli of other clusters may delay one of ours by this much
TOUR = "transitions"  # tag of what a tour covers
MOST_TRIES = 3  # at one transition before which a timer keeps ending


class Tour:
    """The walk through a machine, from rest to rest; through pairs of values where it is too large.

    `moves`: what is done, `order`: by number. `left`: moves that would take too long, as a timer is to be
    waited for; `stranded`: those from which there is no way back; `given_up`: those before which a timer
    always ends; `lost`: those it found no way to. `time_ms`: of the order. `pairs`: of a large machine.
    `sequences`: walked after the order, where asked for. `is_over`: it has come to its end.
    """

    def __init__(self, desk: Desk, machine: Machine, length: int = 1) -> None:
        self._desk, self.machine = desk, machine
        self._tags: dict[Move, tuple[str, ...]] = {}  # one for all copies, as are the effects
        self._effects: dict[Move, str] = {}
        self.left: list[Move] = []
        self.stranded: list[Move] = []
        self.given_up: list[Move] = []
        self.lost: list[Move] = []
        self.pairs: PairWalk | None = None
        found = machine.every_move(MOST_MOVES)
        if found is None:
            self.pairs = PairWalk(machine, self._shows)
            self.moves = self.pairs.moves
            self.order = list(range(len(self.moves)))
        else:
            moves, self.left = worth(machine, found)
            self.moves = [*moves, *self._in_turn(moves)]
            tour = closed_tour(edges_of(self.moves), 0)
            self.order = first_wait_first(self.moves, tour.order)
            self.stranded = [self.moves[n] for n in tour.left_out]
        self.edges = edges_of(self.moves)
        self._sought = length
        self.sequences = Sequences(self.moves, length if self.pairs is None else 1)
        self.checks = Checks(machine, self.moves, self.order if self.pairs is None else ())
        self.time_ms = float(sum(self.moves[n].cost_ms for n in self._all))
        self.is_over = False
        self._began = True  # whether the move that was done last began where it should
        self._held: dict[str, str] = {}
        self._active: frozenset[str] = frozenset()

    @property
    def _all(self) -> tuple[int, ...]:
        return (*self.order, *self.checks.walk, *self.sequences.walk)

    def afresh(self, desk: Desk) -> Tour:
        """The same tour, not yet begun, for another plan."""
        made = copy(self)
        made._desk, made._held, made._active, made.given_up = desk, {}, frozenset(), []
        made.lost, made._began, made.is_over = [], True, False
        made.sequences, made.checks = self.sequences.afresh(), self.checks.afresh()
        return made

    @property
    def title(self) -> str:
        """Its circuits."""
        return ", ".join(self.machine.circuits)

    @property
    def waits(self) -> bool:
        """Whether it waits for a timer."""
        return any(m.letter.kind == "end" for m in self.moves)

    @property
    def timed(self) -> frozenset[str]:
        """Functions of the circuits of which it waits for the timers."""
        ended = {m.letter.name for m in self.moves if m.letter.kind == "end"}
        functions = self._desk.spec.functions
        return frozenset(n for n in self.machine.functions if not ended.isdisjoint(functions[n].circuits))

    def _in_turn(self, moves: Sequence[Move]) -> Iterator[Move]:
        """Moves to be done more than once, so that every control of a function has each effect."""
        by_effect: dict[tuple[str, str], list[Move]] = {}
        for move in moves:
            if move.letter.kind in ("tap", "down") and (effect := self.effect(move)) != "same":
                by_effect.setdefault((move.letter.name, effect), []).append(move)
        for (function, _), found in by_effect.items():
            for i in range(len(self.machine.functions[function]) - len(found)):
                yield found[i % len(found)]

    def effect(self, move: Move) -> str:
        found = self._effects.get(move)
        if found is None:
            function = self._desk.spec.functions[move.letter.name]
            found = effect_of(function, self.machine.on(move.tail), self.machine.on(move.head))
            self._effects[move] = found
        return found

    # -- walking
    def script(self) -> Script:
        """Walks it, and makes up for what a timer that ends in between has put elsewhere."""
        self.at_rest()
        need = Counter(self.order) if self.pairs else Counter(range(len(self.moves)))
        for number, move in enumerate(self.moves):
            if move in self.stranded:
                del need[number]
        tries: Counter[int] = Counter()
        way = deque(self.order)
        while True:
            here = self.here()
            if not way or self.moves[way[0]].tail != here:
                way = deque(self._way_on(here, need))
                if not way:
                    self.lost = [self.moves[n] for n in need]
                    break
            number = way.popleft()
            move = self.moves[number]
            if self._must_wait(move):
                tries[number] += 1
                if tries[number] >= MOST_TRIES and need[number]:
                    self.given_up.append(move)
                    del need[number]
                yield from self.wait("")
                self.checks.walked.append(None)
                continue
            yield from self.do(move)
            came = self.here() == move.head
            if came:
                need -= Counter([number])
            self.checks.walked.append(self.checks.canonical(number) if came and self._began else None)
        yield from self._walk_on(self.checks)
        yield from self._walk_on(self.sequences)
        yield from self.home()
        self.is_over = True

    def _walk_on(self, further: Sequences | Checks) -> Script:
        """Walks on; what a timer cut short is begun again."""
        walk, walked, tries = further.walk, further.walked, Counter[int]()
        at = 0
        while at < len(walk):
            here, number = self.here(), walk[at]
            path = walk_to(self.edges, here, {self.moves[number].tail}) if here is not None else None
            if path is None:
                break
            number = path[0] if path else number
            move = self.moves[number]
            if self._must_wait(move):
                yield from self.wait("")
            else:
                yield from self.do(move)
                if self._began and self.here() == move.head:
                    walked.append(number)
                    at += not path
                    continue
            tries[at] += 1
            walked.append(None)
            at = at + 1 if tries[at] >= MOST_TRIES else max(at + 1 - further.length, 0)

    def _must_wait(self, move: Move) -> bool:
        """Whether a timer would end meanwhile."""
        return move.letter.kind != "end" and self.ends_within(move.cost_ms + SLACK_MS)

    def _way_on(self, here: int | None, need: Counter[int]) -> list[int]:
        """To the nearest move that is still needed, else to rest; nothing where that is or no way known."""
        if here is None:
            return []
        tails = {self.moves[n].tail for n in need}
        path = walk_to(self.edges, here, tails) if need else None
        if path is None:
            return walk_to(self.edges, here, {0}) or []
        end = self.moves[path[-1]].head if path else here
        return [*path, next(n for n in need if self.moves[n].tail == end)]

    def at_rest(self) -> None:
        """Nothing is held any more, whatever was when an earlier walk was cut short."""
        self._held, self._active = {}, frozenset()

    def home(self) -> Script:
        """Keys up, sensors at rest, circuits off, wherever it ended."""
        for name in list(self._held):
            yield Act("release", self._held.pop(name), 0, self._desk.pace.dwell, f"{name} let go", urgent=1)
        for sensor in sorted(self._active):
            yield Act("sensor", sensor, 0, self._desk.pace.dwell, f"{sensor} at rest")
        self._active = frozenset()
        yield from self._desk.all_off([c for c in self.machine.circuits if self._desk.has_own_key(c)])

    def here(self) -> int | None:
        states = self._desk.sim.states(self.machine.cluster)
        return self.machine.at(states, frozenset(self._held), self._active)

    def ends_within(self, ms: float) -> bool:
        dues = self._desk.sim.due_ms((self.machine.cluster,))
        return any(lo < self._desk.sim.now_ms + ms for lo, _ in dues)

    def wait(self, about: str, *covers: str) -> Script:
        sim, pace = self._desk.sim, self._desk.pace
        latest_ms = min(hi for _, hi in sim.due_ms((self.machine.cluster,)))
        ms = latest_ms - sim.now_ms + pace.respond
        yield Act("wait", "", 0, max(ms, 0.0) + pace.dwell, about, covers)

    def _meanwhile(self, move: Move) -> Script:
        """Before a long wait: what has nothing to do with the timer, there and back."""
        desk, cluster = self._desk, self.machine.cluster
        ways = list(there_and_back(self.machine, move.tail, desk.sim.awaited((cluster,))))
        while ways and self.here() == move.tail and not self.ends_within(2 * EVERY_MS + NEAR_MS):
            self.checks.walked.append(None)
            for step in ways[0]:
                about = f"{step.letter.name} meanwhile"
                yield from desk.tap(step.letter.name, self.effect(step), about, dwell=EVERY_MS)
            ways.append(ways.pop(0))

    def do(self, move: Move) -> Script:
        desk, (kind, name) = self._desk, move.letter
        about, covers = self._about(move), self.covers(move)
        held, active = frozenset(self._held), self._active

        def holds() -> bool:
            self._began = self.machine.at(desk.sim.states(self.machine.cluster), held, active) == move.tail
            return self._began

        if kind == "end":
            yield from self._meanwhile(move)
            yield from self.wait(about, *covers)
        elif kind == "sensor":
            self._active ^= {name}
            yield Act(kind, name, int(name in self._active), desk.pace.dwell, about, covers, holds=holds)
        elif kind == "tap":
            yield from desk.tap(name, self.effect(move), about, *covers, holds=holds)
        elif kind == "down":
            control = self._held[name] = desk.pick(name, self.effect(move))
            yield Act("press", control, 1, desk.stroke_ms, about, covers, holds=holds)
        else:
            control = self._held.pop(name)
            yield Act("release", control, 0, desk.pace.dwell, about, covers, urgent=4, holds=holds)

    def _about(self, move: Move) -> str:
        before, after = (_words(self.machine.on(p)) for p in (move.tail, move.head))
        what = {"end": f"{move.letter.name} left alone", "up": f"{move.letter.name} let go"}
        said = what.get(move.letter.kind, move.letter.name)
        return f"{said}: {before}, as before" if before == after else f"{said}: {before}, then {after}"

    def _shows(self, move: Move) -> tuple[str, ...]:
        on, active = self.machine.on, self.machine.places[move.head].active
        stood = move.letter.kind == "tap" and self._stood(move)
        return earns(self._desk.spec, move.letter, on(move.tail), on(move.head), active, stood=stood)

    def _stood(self, move: Move) -> bool:
        presets = self._desk.spec.functions[move.letter.name].presets
        levels = dict(zip(self.machine.circuits, self.machine.outputs[move.tail], strict=True))
        return bool(presets) and all(levels[c] == (level, level) for c, level in presets.items())

    def covers(self, move: Move) -> tuple[str, ...]:
        found = self._tags.get(move)
        if found is None:
            here = f"{TOUR} {self.title}: {' '.join(move.letter)} in {move.tail}"
            found = self._tags[move] = (*self._shows(move), here)
        return found

    # -- what it says of itself
    def said(self, done: int) -> str:
        """What `done` different transitions of it are, in words."""
        if self.pairs is not None:
            return f"{self.pairs.pairs} pairs of values before a key ({self.title})"
        every = len(set(self.moves)) + len(set(self.left))
        return f"{done} of {every} transitions between {len(self.machine.places)} states ({self.title})"

    def said_of_sequences(self) -> str:
        """How many of the sequences were done, in words; empty where none was asked for."""
        every = self.sequences.every
        if not every:
            return ""
        return f"{self.sequences.done} of {len(every)} of {self.sequences.length} keys ({self.title})"

    def said_of_checks(self) -> str:
        """How many moves to a place that looks right and is wrong it would show; empty without any."""
        every = len(self.checks.faults) + self.checks.untold
        return f"{self.checks.done} of {every} ({self.title})" if every else ""

    def pairs_in(self, tags: Collection[str]) -> int:
        """Pairs of values that those of its moves cover that have a tag here."""
        assert self.pairs is not None
        return self.pairs.count(m for m in self.moves if self.covers(m)[-1] in tags)

    def facts(self, steps: Sequence[Step], *, cut: bool = False) -> Toured:
        """The same as data, with what of the finished `steps` is of this tour. `cut`: it may not be all."""
        title = f"{TOUR} {self.title}: "
        mine = [s for s in steps if any(t.startswith(title) for t in s.covers)]
        done = {t for s in mine for t in s.covers if t.startswith(f"{TOUR} ")}
        fewest = sum(self.moves[n].letter.kind in ("tap", "down") for n in self._all)
        return Toured(
            circuits=self.machine.circuits,
            by="transitions" if self.pairs is None else "pairs",
            states=len(self.machine.places) if self.pairs is None else 0,
            transitions=len(set(self.moves)) + len(set(self.left)) if self.pairs is None else 0,
            done=len(done) if self.pairs is None else self.pairs_in(done) if cut else self.pairs.pairs,
            presses=sum(s.kind == "press" for s in mine),
            optimum_presses=fewest,
            time_ms=self.time_ms,
        )

    def not_done(self) -> Iterator[str]:
        """What of the machine it leaves out, and why."""
        if self.pairs is not None:
            yield f"{self.title}: too many states to go through all; pairs of values before each key instead"
            if self.pairs.is_cut:
                yield f"{self.title}: some pairs, as there are too many"
        if self.pairs is not None and self._sought > 1:
            yield f"{self.title}: sequences, as it is gone through by pairs"
        if self.sequences.is_cut:
            yield f"{self.title}: sequences as long as asked for, as there are too many"
        for names, why in (
            (self.left, "would each wait for a timer again"),
            (self.stranded, "lead where only waking up leads back from"),
            (self.given_up, "come after timers that are too short"),
            (self.lost, "were not come to"),
        ):
            if names:
                yield f"{self.title}: {len(set(names))} transitions that {why}"
        if self.checks.untold:
            yield f"{self.title}: {self.checks.untold} wrong ends of a transition that no key shows soon"
        if self.machine.untold:
            yield f"{self.title}: {len(self.machine.untold)} presses of no defined outcome"


def _words(on: dict[str, bool]) -> str:
    return ", ".join(c for c, lit in on.items() if lit) + " on" if any(on.values()) else "all off"
