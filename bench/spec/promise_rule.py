"""What the rules between circuits, sensors and box do, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from .model import Backlight, Follow, Force, Inhibit, Spec, WakeOn
from .wording import is_are, names


def rule_promises(spec: Spec) -> Iterator[str]:
    """One promise per rule."""
    yield from (_force(r) for r in spec.forces)
    yield from (_follow(r) for r in spec.follows)
    yield from (_inhibit(r) for r in spec.inhibits)
    yield from (_wake(r) for r in spec.wakes)
    yield from (_backlight(spec, r) for r in spec.backlights)


def _force(rule: Force) -> str:
    presses = {
        "ignored": "presses for it are ignored meanwhile",
        "stored": "presses for it meanwhile count once that ends",
    }[rule.presses]
    inhibit = {
        "passes": "an inhibit does not stop it",
        "yields": "an inhibit keeps it off, and it comes on by itself when the inhibit ends",
    }[rule.over_inhibit]
    return f"While sensor {rule.sensor} is active, {rule.circuit} is on; {presses}; {inhibit}."


def _sees(sees: str) -> str:
    return "" if sees == "output" else " (as commanded, whatever the output does)"


def _follow(rule: Follow) -> str:
    one = len(rule.sources) == 1
    begins = rule.sources[0] if one else f"the first of {names(rule.sources)}"
    ends = "that goes off" if one else "the last of them goes off"
    then = "goes off too" if rule.release == "drop" else "stays on"
    on = f"When {begins} goes on{_sees(rule.sees)}, {rule.circuit} goes on"
    return f"{on}; when {ends}, {rule.circuit} {then}."


def _inhibit(rule: Inhibit) -> str:
    return (
        f"While {names(rule.sources, 'or')} is on{_sees(rule.sees)}, {rule.circuit} is off and cannot be "
        "switched on; it does not come back by itself."
    )


def _wake(rule: WakeOn) -> str:
    level = f"on at {rule.level_pct:g} %" if rule.level_pct > 0 else "off"
    return f"From wake-up {names(rule.circuits)} {is_are(rule.circuits)} {level}."


def _backlight(spec: Spec, rule: Backlight) -> str:
    when = []
    for name, positions in rule.when.items():
        kind = spec.functions[name].kind
        if kind == "cycle":
            when.append(f"{name} stands at position {names((f'{p}' for p in positions), 'or')}")
        else:
            when.append(f"{name} is {'active' if kind == 'scene' else 'on'}")
    other = f"at {rule.else_pct:g} %" if rule.else_pct > 0 else "dark"
    lit = f"lit at {rule.level_pct:g} %" if rule.level_pct > 0 else "dark"
    return f"The keys of panel {rule.panel} are {lit} while {names(when, 'or')}, else {other}."
