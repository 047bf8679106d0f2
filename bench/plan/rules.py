"""Scripts for what couples circuits: force, inhibit, follow; and for functions across clusters."""

from __future__ import annotations

from collections.abc import Sequence

from bench.spec.model import Follow, Force, Function, Inhibit

from .act import Act, Script
from .desk import Desk

SOON_MS = 5_000.0  # it takes as long to switch off everything that has a timer


def force(desk: Desk, rule: Force) -> Script:
    """The sensor alone, a press meanwhile, the sensor over a circuit that is on, and under an inhibit."""
    target, sensor = rule.circuit, rule.sensor
    yield from desk.all_off([target])
    yield from _sensor(desk, sensor, 1, f"force {target} by {sensor}")
    toggle = desk.toggle_of.get(target)
    if toggle is not None:
        text = f"{target} pressed while {sensor} holds it ({rule.presses})"
        yield from desk.tap(toggle.name, "forced", text, f"force {target} press meanwhile")
    yield from _sensor(desk, sensor, 0, f"force {target} ends")
    yield from desk.all_off([target])
    if desk.short or toggle is None:
        return
    yield from desk.switch(target, on=True)
    yield from _sensor(desk, sensor, 1, f"force {target} while on")
    yield from _sensor(desk, sensor, 0, f"force {target} ends while on")
    yield from desk.all_off([target])
    for inhibit in desk.spec.inhibits:
        if inhibit.circuit == target:
            yield from _force_inhibited(desk, rule, inhibit.sources[0])


def _force_inhibited(desk: Desk, rule: Force, source: str) -> Script:
    yield from desk.switch(source, on=True)
    covers = f"force {rule.circuit} over inhibit ({rule.over_inhibit})"
    yield from _sensor(desk, rule.sensor, 1, covers)
    yield from desk.switch(source, on=False)
    yield from _sensor(desk, rule.sensor, 0, f"force {rule.circuit} ends")
    yield from desk.all_off([rule.circuit])


def _sensor(desk: Desk, sensor: str, value: int, covers: str) -> Script:
    yield Act("sensor", sensor, value, desk.pace.dwell, f"{sensor} {'on' if value else 'off'}", (covers,))


def inhibit(desk: Desk, rule: Inhibit, source: str) -> Script:
    """Pressed while the source is on: refused. Running when the source comes on: stopped, and it
    does not resume."""
    target = rule.circuit
    yield from desk.all_off([target, source])
    yield from desk.switch(source, on=True)
    refused = f"inhibit {target} by {source} refused"
    yield from _try(desk, target, f"{target} pressed while {source} is on", refused)
    yield from desk.switch(source, on=False)
    yield from desk.all_off([target])
    yield from desk.switch(target, on=True)
    text = f"{source} pressed while {target} is on"
    yield from desk.switch(source, on=True, about=text, covers=(f"inhibit {target} by {source} running",))
    yield from desk.switch(source, on=False)
    yield from desk.all_off([target, source])


def _try(desk: Desk, target: str, text: str, covers: str) -> Script:
    """A press that should be refused."""
    if target in desk.toggle_of:
        yield from desk.tap(desk.toggle_of[target].name, "refused", text, covers)
        return
    for f in desk.functions("momentary", "group", "cycle"):
        if target in f.circuits:
            yield from desk.hold(f.name, "refused", desk.stroke_ms, text, covers)
            return


def follow(desk: Desk, rule: Follow, source: str) -> Script:
    """The target comes on with the source and keeps or drops as agreed; also when it was on before."""
    target = rule.circuit
    yield from desk.all_off([source, target])
    yield from desk.switch(source, on=True, covers=(f"follow {target} of {source} begins",))
    yield from desk.switch(source, on=False, covers=(f"follow {target} of {source} ends ({rule.release})",))
    yield from desk.all_off([target])
    if desk.short or target not in desk.toggle_of:
        return
    yield from desk.switch(target, on=True)
    yield from desk.switch(source, on=True)
    covers = (f"follow {target} on before, {source} ends ({rule.release})",)
    yield from desk.switch(source, on=False, covers=covers)
    yield from desk.all_off([target, source])


def scene(desk: Desk, f: Function) -> Script:
    """Applied, pressed again, applied after one member was changed."""
    yield from desk.all_off(f.circuits)
    dark = [member for member, level in f.presets.items() if level <= 0]
    yield from desk.together(dark, on=True, about=f"on before {f.name}")
    while True:
        yield from desk.tap(f.name, "on", f"scene {f.name}", f"scene {f.name} applied")
        yield from desk.tap(
            f.name, "off", f"scene {f.name} again", f"scene {f.name} again ({f.again})",
            holds=lambda: desk.stands(f),
        )  # fmt: skip
        yield from desk.all_off(f.circuits)
        if desk.short or not desk.lacking(f.name, "on", "off"):
            break
    if desk.short:
        return
    yield from desk.tap(f.name, "on", f"scene {f.name}")
    for member, level in f.presets.items():
        if member in desk.toggle_of:
            before = desk.sim.level(member)
            yield from desk.switch(member, on=level <= 0, about=f"{member} changed by its own key")
            if desk.sim.level(member) == before:  # as where it is kept off
                continue
            text = f"scene {f.name} after {member} was changed"
            covers = f"scene {f.name} after {member} changed"
            yield from desk.tap(f.name, "on", text, covers, holds=lambda: not desk.stands(f))
    yield from desk.all_off(f.circuits)


def only_off(desk: Desk, f: Function, others: Sequence[str] = ()) -> Script:
    """Every member on that can be, then the key; with nothing on; and with `others` on, which must stay."""
    own = [m for m in f.members if m in desk.toggle_of]
    for _ in desk.keys[f.name][:1] if desk.short else desk.keys[f.name]:
        chosen = own[:1] if desk.short else own
        yield from desk.together(chosen, on=True, about=f"on before {f.name}")
        yield from desk.tap(f.name, "off", f"{f.name}: off", f"off {f.name}")
    if not desk.short:
        yield from desk.tap(f.name, "off", f"{f.name} with all off", f"off {f.name} with all off")
    if others:
        yield from others_stay(desk, f, others)


def others_stay(desk: Desk, f: Function, others: Sequence[str]) -> Script:
    """What the key must leave alone is on."""
    yield from desk.together(others, on=True, about=f"on before {f.name}")
    yield from desk.tap(f.name, "off", f"{f.name}: others stay on", f"off {f.name} with others on")
    yield from desk.all_off(others)


def only_on(desk: Desk, f: Function) -> Script:
    """From off, and once more while on."""
    yield from desk.all_off(f.members)
    for _ in desk.keys[f.name]:
        yield from desk.tap(f.name, "on", f"{f.name}: on", f"on {f.name}")
        covers = f"on {f.name} with all on"
        yield from desk.tap(
            f.name, "again", f"{f.name} with all on", covers, holds=lambda: all(map(desk.is_on, f.members))
        )
        yield from desk.all_off(f.members)


def outside(desk: Desk, control: str) -> Script:
    """A key that must not have any effect, with all off."""
    text = f"{control}: nothing may change"
    yield from desk.tap_control(control, text, f"outside {control}", dwell=desk.brief_ms)


def outside_on(desk: Desk, control: str, some: Sequence[str]) -> Script:
    """The same with some on that it might switch off."""
    yield from desk.together(some, on=True, about=f"on before {control}")
    text = f"{control}: nothing may change"
    yield from desk.tap_control(control, text, f"outside {control} with some on", dwell=desk.brief_ms)
    yield from desk.all_off(some)


def waken(
    desk: Desk, *, supply: bool, title: str = "", off_s: float = 1.5, held: Sequence[str] = ()
) -> Script:
    """The supply off and on again, the wake message where a box wants it, and the time to wake up. `title`:
    before each text. `held`: keys that are let go as soon as the boxes are off, or woken."""
    boxes = desk.spec.boxes.values()
    if supply:
        for box in boxes:
            yield Act("supply", box.name, 0, desk.pace.apart, f"{title}supply of {box.name} off")
        yield from _let_go(desk, held)
        yield Act("wait", "", 0, off_s * 1000)
        for box in boxes:
            text = f"{title}supply of {box.name} on"
            yield Act("supply", box.name, 1, desk.pace.apart, text, (f"wake {box.name}",))
    called = [b.name for b in boxes if b.wake.by == "message"]
    if called:
        covers = tuple(f"wake {name}" for name in called)
        yield Act("wake", "", 1, desk.pace.apart, f"{title}wake message to {', '.join(called)}", covers)
    if not supply:
        yield from _let_go(desk, held)
    yield Act("wait", "", 0, max(b.wake.within_s * 1000 + b.wake.not_available_ms for b in boxes))
    for box in boxes:
        if supply and box.wake.by == "supply":
            yield Act("wait", box.name, 1, 0.0, f"{title}{box.name} is awake", (f"wake {box.name}",))


def _let_go(desk: Desk, held: Sequence[str]) -> Script:
    for control in reversed(held):
        yield Act("release", control, 0, desk.pace.apart, urgent=2)


def let_end(desk: Desk, early_ms: float) -> Script:
    """Timers that began as the boxes woke, up to `early_ms` ago, and would end meanwhile."""
    sim = desk.sim
    every = set(sim.cluster_of.values())
    while soon := [hi for lo, hi in sim.due_ms(every) if lo - early_ms < sim.now_ms + SOON_MS]:
        yield Act("wait", "", 0, min(soon) - sim.now_ms + desk.pace.respond + desk.pace.guard)
