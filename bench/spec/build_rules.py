"""The kinds of rules, and what may be said by one rule only."""

from __future__ import annotations

from collections.abc import Iterable

from . import model
from .shapes import Read

RULES: dict[str, Read] = {
    "force": model.Force,
    "follow": model.Follow,
    "inhibit": model.Inhibit,
    "wake": model.WakeOn,
    "backlight": model.Backlight,
}
TWICE = {
    "force": 'sensor "{1}" forces circuit "{0}" twice',
    "follow": 'circuit "{0}" has two follow rules',
    "inhibit": 'circuit "{0}" is inhibited by "{1}" twice',
    "wake": 'circuit "{0}" stands in two wake rules',
    "backlight": 'panel "{0}" has two backlight rules',
}


def said_once(kind: str, values: dict[str, Read]) -> Iterable[tuple[str, ...]]:
    """What may be said by one rule only."""
    circuit, sources = values.get("circuit"), values.get("sources")
    if kind == "force" and isinstance(circuit, str) and isinstance(values.get("sensor"), str):
        return [(kind, circuit, values["sensor"])]
    if kind == "follow" and isinstance(circuit, str):
        return [(kind, circuit)]
    if kind == "inhibit" and isinstance(circuit, str) and isinstance(sources, tuple):
        return [(kind, circuit, s) for s in sources]
    if kind == "wake" and isinstance(values.get("circuits"), tuple):
        return [(kind, c) for c in values["circuits"]]
    if kind == "backlight" and isinstance(values.get("panel"), str):
        return [(kind, values["panel"])]
    return []
