"""One script per behaviour inside a cluster: toggle, cycle, group, momentary, timer, dimmer."""

from __future__ import annotations

from bench.spec.model import Circuit, Function

from .act import Act, Script
from .desk import Desk


def toggle(desk: Desk, f: Function) -> Script:
    """On and off until each control has done both."""
    circuit = f.members[0]
    yield from desk.all_off([circuit])
    while True:
        yield from desk.tap(f.name, "on", f"{circuit} on by {f.name}", f"toggle {circuit} on")
        yield from desk.tap(f.name, "off", f"{circuit} off by {f.name}", f"toggle {circuit} off")
        if desk.short or not desk.lacking(f.name, "on", "off"):
            return


def cycle(desk: Desk, f: Function) -> Script:
    """Through all positions until each control has led to each of them."""
    yield from desk.all_off(f.circuits)
    names = [f"position {i + 1}" for i in range(len(f.positions))]
    while True:
        for i, members in enumerate(f.positions):
            shows = ", ".join(members) or "all off"
            yield from desk.tap(
                f.name, names[i], f"{f.name} to {names[i]} ({shows})", f"cycle {f.name} {names[i]}"
            )
        if desk.short or not desk.lacking(f.name, *names):
            break
    if f.reset is not None and f.reset.after_s is not None and not desk.short:
        yield from _restart(desk, f, f.reset.after_s)


def _restart(desk: Desk, f: Function, after_s: float) -> Script:
    """A counted position is forgotten after a time without a press."""
    yield from desk.tap(f.name, "position 1", f"{f.name} to position 1, then left alone")
    yield Act("wait", f.name, 0, after_s * 1000 + 2000, f"{f.name} left alone for {after_s:g} s")
    yield from desk.tap(
        f.name, "position 1", f"{f.name} starts anew at position 1", f"cycle {f.name} starts anew"
    )
    yield from desk.all_off(f.circuits)


def group(desk: Desk, f: Function) -> Script:
    """On and off by each control, then with one member on by its own key."""
    yield from desk.all_off(f.members)
    while True:
        yield from desk.tap(f.name, "on", f"group {f.name} on", f"group {f.name} on")
        yield from desk.tap(f.name, "off", f"group {f.name} off", f"group {f.name} off")
        if desk.short or not desk.lacking(f.name, "on", "off"):
            break
    own = [m for m in f.members if m in desk.toggle_of]
    for member in own[:1] if desk.short else own:
        yield from desk.switch(member, on=True, about=f"{member} alone on")
        text = f"group {f.name} with only {member} on"
        yield from desk.tap(f.name, desk.next_effect(f), text, f"group {f.name} part on {member}")
        yield from desk.all_off(f.members)
    if f.dim_together and not desk.short:
        yield from _dim_group(desk, f)


def _dim_group(desk: Desk, f: Function) -> Script:
    dims = [d for d in (desk.spec.circuits[m].dim for m in f.members) if d is not None]
    if not dims:
        return
    hold_ms = max(d.hold_ms + 0.35 * d.range_s * 1000 for d in dims)
    yield from desk.tap(f.name, "on", f"group {f.name} on")
    yield from desk.hold(f.name, "dim", hold_ms, f"group {f.name} held down", f"group {f.name} dims together")
    yield from desk.all_off(f.members)


def momentary(desk: Desk, f: Function) -> Script:
    """Held for a moment by each control, then let go."""
    circuit = f.members[0]
    yield from desk.all_off([circuit])
    while True:
        covers = f"momentary {f.name}"
        yield from desk.hold(f.name, "hold", desk.stroke_ms, f"{circuit} while {f.name} is held", covers)
        if desk.short or not desk.lacking(f.name, "hold"):
            return


def auto_off(desk: Desk, c: Circuit) -> Script:
    """On until the timer switches it off."""
    assert c.auto_off is not None
    yield from desk.switch(c.name, on=True, about=f"{c.name} on, to go off by itself")
    latest_ms = (c.auto_off.after_s + c.auto_off.tolerance_s) * 1000 + desk.pace.respond
    yield Act(
        "wait", c.name, 0, latest_ms, f"{c.name} goes off by itself after {c.auto_off.after_s:g} s",
        (f"auto-off {c.name}",),
    )  # fmt: skip
    yield from desk.all_off([c.name])


def dim(desk: Desk, c: Circuit, f: Function) -> Script:
    """On, short off, held down, remembered or not, held past the turn or to the stop."""
    d = c.dim
    assert d is not None
    name = c.name
    yield from desk.all_off([name])
    if not desk.short:
        yield from desk.tap(f.name, "on", f"{name} on", f"dim {name} on")
        yield from desk.tap(f.name, "off", f"{name} off", f"dim {name} short off")
    yield from desk.tap(f.name, "on", f"{name} on", f"dim {name} on")
    part = 0.2 if desk.short else 0.35
    yield from desk.hold(
        f.name, "dim", d.hold_ms + part * d.range_s * 1000, f"{name} held", f"dim {name} hold"
    )
    yield from desk.tap(f.name, "off", f"{name} off", f"dim {name} short off")
    if desk.short:
        return
    yield from desk.tap(f.name, "on", f"{name} on again", f"dim {name} memory")
    far_ms = d.hold_ms + d.range_s * 1000 * (1 + d.range_tol_pct / 100) + 800
    yield from desk.hold(f.name, "dim", far_ms, f"{name} held to the end and on", f"dim {name} {d.at_end}")
    if d.direction == "alternate":
        text = f"{name} held the other way to the end"
        yield from desk.hold(f.name, "dim", far_ms, text, f"dim {name} alternate")
    yield from desk.tap(f.name, "off", f"{name} off", f"dim {name} short off")
    while desk.lacking(f.name, "on", "off"):
        yield from desk.tap(f.name, "on", f"{name} on")
        yield from desk.tap(f.name, "off", f"{name} off")
