"""The by-hand phase: a person works a circuit at the box, its key is pressed, all is put back."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import NamedTuple

from bench.core.event import BY_HAND
from bench.core.look import READY
from bench.core.plan import OF_PERSON, OVERLOAD, Plan, Step
from bench.oracle import Oracle
from bench.spec.model import Circuit, Spec

from .play import Player
from .sim import Sim

_MEANS = {
    "fuse_seat": "move its fuse from the normal seat to the by-hand seat, and touch no other",
    "switch": "set its by-hand switch, and touch no other",
    "link": "put in its by-hand link, and touch no other",
}
_BACK = {
    "fuse_seat": "move its fuse back to the normal seat",
    "switch": "set its by-hand switch back",
    "link": "take its by-hand link out",
}
MOVES = ("motor", "relay")
WATCHED_MS = 2000.0  # after a person's work: what the boxes report is watched, whatever the person says
BY_HAND_WORD, LOOKS_WORD, OVERLOAD_WORD = "by hand", "seen or heard", "overload trip"
PERSON_WORDS = (BY_HAND_WORD, LOOKS_WORD, OVERLOAD_WORD)
FOR_HAND = "before a person works at the box"
QUIET = "Nothing is sent to the boxes until you answer."


class Choice(NamedTuple):
    """Circuits to work by hand, and why the others are not."""

    circuits: tuple[Circuit, ...]
    left_out: Mapping[str, str]


def choose(spec: Spec, limited: Collection[str] = (), reached: Collection[str] | None = None) -> Choice:
    """By hand a circuit runs for as long as a person takes, so what must not run long is left out, and what
    would make something else move while a hand is in the box. `limited`: circuits for which the bench profile
    sets a limit; `reached`: those that a person can get at (None: all)."""
    model = Oracle(spec)
    momentary = {m for f in spec.functions.values() if f.kind == "momentary" for m in f.circuits}
    may_end = {c for names in model.clusters for c in names if _timed(spec, names)}
    leads = leaders(spec)
    left_out: dict[str, str] = {}
    for c in spec.circuits.values():
        if reached is not None and c.name not in reached:
            left_out[c.name] = "the bench profile gives no fixture that reaches it"
        elif c.load in MOVES or c.name in momentary:
            left_out[c.name] = "nothing would bound how long it runs"
        elif c.name in leads:
            left_out[c.name] = f"{leads[c.name]} would run with it while a hand is in the box"
        elif c.name in limited:
            left_out[c.name] = "the bench profile limits how long it may run"
        elif c.name in may_end:
            left_out[c.name] = "a timer would start at an instant that only the person knows"
    chosen = tuple(c for c in spec.circuits.values() if c.name not in left_out)
    return Choice(chosen, left_out)


def leaders(spec: Spec) -> dict[str, str]:
    """Circuits that something which moves follows, at once or through others -> what that is."""
    out: dict[str, str] = {}
    for _ in spec.follows:  # as long as the longest chain can be
        for rule in spec.follows:
            moves = rule.circuit if spec.circuits[rule.circuit].load in MOVES else out.get(rule.circuit)
            if moves is not None:
                out |= dict.fromkeys(rule.sources, moves)
    return out


def _timed(spec: Spec, names: tuple[str, ...]) -> bool:
    return any(spec.circuits[n].auto_off is not None for n in names)


def with_by_hand(
    spec: Spec, plan: Plan, limited: Collection[str] = (), reached: Collection[str] | None = None,
    unloaded: Collection[str] = (),
) -> Plan:  # fmt: skip
    """`plan` and after it the by-hand phase, which begins and ends with everything off. `unloaded`: circuits
    with no load on this bench, of which nobody can see whether they are on. Else as `choose`."""
    choice = choose(spec, limited, reached)
    player = Player(spec, plan)
    keys = _Keys(player, frozenset(c.name for c in choice.circuits))
    for circuit in choice.circuits:
        player.to_rest(FOR_HAND)
        _one(player, circuit, keys, seen=circuit.name not in unloaded)
    if choice.circuits:
        player.to_rest(FOR_HAND)
    not_tested = dict(plan.not_tested)
    not_tested.pop("by hand", None)
    if choice.left_out:
        by_reason: dict[str, list[str]] = {}
        for name, why in choice.left_out.items():
            by_reason.setdefault(why, []).append(name)
        not_tested["by hand"] = "; ".join(f"{', '.join(names)}: {why}" for why, names in by_reason.items())
    keyless = [c.name for c in choice.circuits if keys.through(c) is None]
    if keyless:
        why = "no key switches it on and off again with nothing else that moves"
        not_tested["control after by hand"] = f"{', '.join(keyless)}: {why}"
    covered = plan.covered
    if choice.circuits:
        covered = (*covered, f"{BY_HAND_WORD}: {'; '.join(c.name for c in choice.circuits)}")
    return replace(
        plan,
        steps=(*plan.steps, *player.steps),
        duration_ms=player.t_ms,
        covered=covered,
        not_tested=not_tested,
    )


def without_person(plan: Plan, why: str = "needs a person, and the run is unattended") -> Plan:
    """`plan` without what it asks of a person, which comes last."""
    first = next((k for k, step in enumerate(plan.steps) if step.kind in OF_PERSON), None)
    if first is None:
        return plan
    asked = [s for s in plan.steps if s.kind in OF_PERSON and not s.name.startswith(READY)]
    words = {BY_HAND: BY_HAND_WORD, OVERLOAD: OVERLOAD_WORD}
    left = {words.get(s.kind, s.name): why for s in asked}
    covered = tuple(text for text in plan.covered if text.partition(":")[0] not in PERSON_WORDS)
    return replace(
        plan, steps=plan.steps[:first], duration_ms=plan.steps[first].at_ms, covered=covered,
        not_tested={**plan.not_tested, **left},
    )  # fmt: skip


class _Keys:
    """Keys that work a circuit, and nothing that a person must not have move beside them."""

    def __init__(self, player: Player, harmless: frozenset[str]) -> None:
        self._spec, self._dwell_ms, self._harmless = player.spec, player.pace.dwell, harmless
        self._at_rest = Sim(player.model, player.spec)

    def own(self, circuit: Circuit) -> str | None:
        """One that works this circuit alone."""
        for control in self._spec.controls.values():
            f = self._spec.functions[control.function]
            if f.kind == "toggle" and f.members[0] == circuit.name:
                return control.name
        return None

    def through(self, circuit: Circuit) -> tuple[str, int] | None:
        """One that brings it on and, pressed so often, leaves all off again."""
        own = self.own(circuit)
        if own is not None:
            return own, 2
        for f in self._spec.functions.values():
            key = next((c.name for c in self._spec.controls.values() if c.function == f.name), None)
            steady = f.kind == "group" or (f.kind == "cycle" and f.position == "derived")
            if key is None or not steady or circuit.name not in f.circuits:
                continue
            presses = 2 if f.kind == "group" else len(f.positions)
            if self._harmless.issuperset(f.circuits) and self._works(key, presses, circuit.name):
                return key, presses
        return None

    def _works(self, key: str, presses: int, circuit: str) -> bool:
        sim, was_on = self._at_rest.copy(), False
        for _ in range(presses):
            for kind in ("press", "release"):
                sim.advance(sim.now_ms + self._dwell_ms)
                sim.apply(kind, key, int(kind == "press"))
            was_on = was_on or sim.on(circuit) is True
        return was_on and all(sim.on(c) is False for c in self._spec.circuits)


def _one(player: Player, circuit: Circuit, keys: _Keys, *, seen: bool) -> None:
    """By hand, its key twice when the box stores presses (else once), back, and on and off by a key."""
    pace, by_hand = player.pace, player.spec.boxes[circuit.box].by_hand
    fuse = f", fuse of {circuit.fuse_a:g} A" if circuit.fuse_a is not None else ""
    where = f"{circuit.name} (box {circuit.box}, channel {circuit.channel}{fuse})"
    do = _MEANS.get(by_hand.means, f"work it by hand ({by_hand.means})")
    back = _BACK.get(by_hand.means, f"put it back ({by_hand.means})")

    def tap(key: str, about: str) -> None:
        player.step(Step(player.t_ms, "press", key, 1, about, (about,)), pace.tap)
        player.step(Step(player.t_ms, "release", key, 0), pace.dwell)

    def ask(what: str, value: int, state: str, covers: str) -> None:
        sight = f"It must then be {state}. Is it?" if seen else "There is no load to look at. Is it done?"
        text = f"{where}: {what}. {QUIET} {sight}"
        step = Step(player.t_ms, BY_HAND, circuit.name, value, text, (covers,))
        player.step(step, max(pace.dwell, WATCHED_MS))

    ask(do, 1, "on, with no key pressed", f"by hand {circuit.name}")
    if (own := keys.own(circuit)) is not None:
        for _ in range(2 if by_hand.presses == "stored" else 1):
            tap(own, f"{circuit.name} pressed while by hand ({by_hand.presses})")
    ask(back, 0, "off", f"by hand {circuit.name} ends")
    if (again := keys.through(circuit)) is not None:
        for _ in range(again[1]):
            tap(again[0], f"{circuit.name} by its key after by hand")
