"""What only a person sees or hears: key lamps, panel lighting, a load that sounds or shows, a label."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from bench.core.errors import Complaint, UsageError
from bench.core.look import BACKLIGHT, HEARD, LABEL, LAMPS, READY, bit_of, key_of
from bench.core.plan import LOOK, Plan, Step
from bench.spec.model import Circuit, Control, Spec

from .by_hand import LOOKS_WORD, MOVES, leaders
from .pace import SIGNAL_MS
from .play import Player
from .sim import Sim

WORDS = ("lamps", "backlights", "labels")
LOOKED_AT = "lamps, backlights, labels, all, a panel, a circuit"
SEEN_MS = 2000.0  # how long a load that is switched on is watched
FOR_LOOK = "for a look"


def with_looks(
    spec: Spec,
    plan: Plan,
    what: Collection[str],
    limited: Collection[str] = (),
    unloaded: Collection[str] = (),
) -> Plan:
    """`plan` and after it the looks, which begin and end with everything off. `what`: of WORDS, nodes (as
    `panel helm`: its lamps) and circuits. `limited`: circuits that must not stay on while a person looks;
    `unloaded`: those with no load on this bench.

    Raises: UsageError for what cannot be looked at.
    """
    looks = _Looks(spec, plan, limited)
    looks.refuse(what)
    looks.to_rest(FOR_LOOK)
    for node in _nodes(spec):
        lamps = "lamps" in what or node in what
        lit = "backlights" in what and any(f"panel {b.panel}" == node for b in spec.backlights)
        if lamps or lit:
            looks.at_node(node, lamps=lamps, lighting=lit)
    for name in what:
        if name in spec.circuits and name in unloaded:
            looks.left_out[f"{HEARD}{name}"] = "no load on this bench"
        elif name in spec.circuits:
            looks.at_circuit(spec.circuits[name])
    for box in spec.boxes if "labels" in what else ():
        looks.at_label(box)
    covered = (*plan.covered, f"{LOOKS_WORD}: {'; '.join(looks.seen)}") if looks.seen else plan.covered
    return replace(
        plan, steps=(*plan.steps, *looks.steps), duration_ms=max(looks.t_ms, plan.duration_ms),
        covered=covered, not_tested={**plan.not_tested, **looks.left_out},
    )  # fmt: skip


def _nodes(spec: Spec) -> list[str]:
    """Panels and screens that have anything to look at, in order."""
    nodes = [f"{n.kind} {n.name}" for n in (*spec.panels.values(), *spec.screens.values())]
    shown = {c.name.rpartition(" ")[0] for c in spec.controls.values() if c.lamp is not None}
    shown |= {f"panel {b.panel}" for b in spec.backlights}
    return [n for n in nodes if n in shown]


class _Looks(Player):
    """Writes the steps."""

    def __init__(self, spec: Spec, plan: Plan, limited: Collection[str]) -> None:
        super().__init__(spec, plan)
        self.seen: list[str] = []
        self.left_out: dict[str, str] = {}
        self._limited = limited
        self._keeps_off = self._never_left_on()

    def _never_left_on(self) -> frozenset[str]:
        """Circuits that must not stay on for as long as a person looks."""
        spec = self.spec
        momentary = {m for f in spec.functions.values() if f.kind == "momentary" for m in f.circuits}
        loads = (*MOVES, "resistive")
        moves = {c.name for c in spec.circuits.values() if c.load in loads or c.auto_off is not None}
        return frozenset(momentary | moves | set(self._limited) | set(leaders(spec)))

    def refuse(self, what: Collection[str]) -> None:
        known = [*WORDS, *_nodes(self.spec), *self.spec.circuits]
        said = [
            Complaint(f"--look {w}: nothing of that name", expected=LOOKED_AT) for w in what if w not in known
        ]
        for w in what:
            if w in self.spec.circuits and self._key_of(self.spec.circuits[w]) is None:
                said.append(Complaint(f"--look {w}: no key works this circuit alone"))
        if said:
            raise UsageError(said)

    # -- moves
    def _ask(self, name: str, value: int, text: str) -> None:
        self.step(Step(self.t_ms, LOOK, name, value, text, (name,)), self.pace.dwell)
        if not name.startswith(READY):
            self.seen.append(name)

    # -- keys
    def at_node(self, node: str, *, lamps: bool, lighting: bool) -> None:
        """Once with all off, once with as many lamps lit as may be."""
        self._look_at(node, lamps=lamps, lighting=lighting)
        pressed = self._light_up(node)
        if pressed:
            self._look_at(node, lamps=lamps, lighting=lighting)
        dark = [c for c in self._lamps(node) if not self._shown(f"lamp:{c.name}")]
        kept = [c for c in dark if not self._keeps_off.isdisjoint(self.spec.functions[c.function].circuits)]
        if lamps:
            self._leave_out(node, kept, "would leave on what must not stay on")
            self._leave_out(node, [c for c in dark if c not in kept], "not lit together with the others")
        self.to_rest(FOR_LOOK)

    def _leave_out(self, node: str, dark: Sequence[Control], why: str) -> None:
        if dark:
            keys = ", ".join(str(key_of(c.name)) for c in dark)
            self.left_out[f"lit lamps of {node}, keys {keys}"] = why

    def _look_at(self, node: str, *, lamps: bool, lighting: bool) -> None:
        controls = self._lamps(node)
        if lamps and controls:
            lit = [c for c in controls if self._shown(f"lamp:{c.name}")]
            dark = [c for c in controls if c not in lit]
            mask = sum(bit_of(c.name) for c in lit)
            text = f"Look at the keys of {node}. {_told('Lit', lit)} {_told('Dark', dark)} Is it so?"
            text += f" (Skip it where there is no {node} on this bench.)"
            self._ask(f"{LAMPS}{node}", mask, text)
        if lighting:
            level = self._shown(f"backlight:{node.removeprefix('panel ')}") or 0.0
            state = f"on, at {level:g} %" if level else "dark"
            text = (
                f"The lighting of {node} must be {state}. Is it so? (Skip it where there is no {node} here.)"
            )
            self._ask(f"{BACKLIGHT}{node}", int(level > 0), text)

    def _light_up(self, node: str) -> bool:
        """Presses keys of the node one after another, each that lights more. Whether any."""
        any_pressed = False
        for control in self._lamps(node):
            function = self.spec.functions[control.function]
            if self._shown(f"lamp:{control.name}") or not self._keeps_off.isdisjoint(function.circuits):
                continue
            before = self._count(node)
            trial = self.sim.copy()
            trial.apply("press", control.name, 1)
            trial.advance(trial.now_ms + self.pace.tap)
            trial.apply("release", control.name, 0)
            if self._count(node, trial) > before:
                self.do(self.desk.tap_control(control.name, f"{control.name} pressed, to be looked at"))
                any_pressed = True
        return any_pressed

    def _lamps(self, node: str) -> list[Control]:
        controls = self.spec.controls.values()
        return [c for c in controls if c.lamp is not None and c.name.rpartition(" ")[0] == node]

    def _count(self, node: str, sim: Sim | None = None) -> int:
        return sum(bool(self._shown(f"lamp:{c.name}", sim)) for c in self._lamps(node))

    def _shown(self, signal: str, sim: Sim | None = None) -> float | None:
        """What it surely shows now."""
        sim = sim or self.sim
        spans = self.model.indicator(signal, [sim.states(k) for k in range(len(self.model.clusters))])
        return spans[0][0] if len(spans) == 1 and spans[0][0] == spans[0][1] else None

    # -- loads and labels
    def _key_of(self, circuit: Circuit) -> Control | None:
        """A control that works this circuit alone, a momentary one before others."""
        found = [
            c
            for c in self.spec.controls.values()
            if (f := self.spec.functions[c.function]).kind in ("momentary", "toggle")
            and f.members == (circuit.name,)
        ]
        return min(found, key=lambda c: self.spec.functions[c.function].kind != "momentary", default=None)

    def at_circuit(self, circuit: Circuit) -> None:
        """On once, for a moment, when the person is ready."""
        control = self._key_of(circuit)
        assert control is not None
        is_held = self.spec.functions[control.function].kind == "momentary"
        for_ms = SIGNAL_MS if is_held else SEEN_MS
        where = f"{circuit.name} (box {circuit.box}, channel {circuit.channel})"
        text = f"{where} is about to come on for {for_ms / 1000:g} s, a second after you answer. Keep clear "
        text += "of it, protect your ears where it sounds, and stand where you can see or hear it. Ready?"
        self._ask(f"{READY}{circuit.name}", 1, text)
        about = f"{circuit.name} on, to be seen or heard"
        if is_held:
            self.do(self.desk.hold(control.function, "on", for_ms, about))
        else:
            self.do(self.desk.tap_control(control.name, about, dwell=for_ms))
            self.do(self.desk.tap_control(control.name, f"{circuit.name} off again"))
        self._ask(f"{HEARD}{circuit.name}", 1, f"{where}: did it come on just now, and go off again?")

    def at_label(self, box: str) -> None:
        """The serial number, as a person reads it."""
        text = f"Read the label of box {box}, under its lid. What serial number does it bear?"
        self._ask(f"{LABEL}{box}", 1, text)


def _told(word: str, controls: Sequence[Control]) -> str:
    if not controls:
        return f"{word}: none."
    return f"{word}: {', '.join(_key(c) for c in controls)}."


def _key(control: Control) -> str:
    return f"key {key_of(control.name)} ({control.function})"


def parse_looks(words: Iterable[str]) -> tuple[str, ...]:
    """What `--look` names, comma by comma, each once; `all` stands for WORDS. Raises: UsageError
    where it names nothing."""
    each = [[part.strip() for part in word.split(",") if part.strip()] for word in words]
    if [] in each:
        raise UsageError(Complaint("--look names nothing", expected=LOOKED_AT))
    parts = [part for found in each for part in found]
    return tuple(dict.fromkeys(w for part in parts for w in (WORDS if part == "all" else (part,))))
