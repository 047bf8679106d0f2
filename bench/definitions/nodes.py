"""Nodes of a binding and nodes of the spec: which panel is `panel 2`, and who has which source address."""

from __future__ import annotations

import re
from dataclasses import replace

from bench.spec.model import Box, Spec

from .binding import AliveRule, Binding, KeyRule, Rule, SignalName
from .resolve import Resolver
from .sheet import Part


def is_counted(node: str) -> bool:
    """Whether a node is named by its number, such as `panel 2` (names of a spec begin with a letter)."""
    return re.fullmatch(r"(box|panel|screen) [1-9]\d*", node) is not None


def own_nodes(spec: Spec, box: Box) -> list[str]:
    """Panels and screens of a box, panels first, in the spec's order."""
    panels = [f"panel {n.name}" for n in spec.panels.values() if n.box == box.name]
    return panels + [f"screen {n.name}" for n in spec.screens.values() if n.box == box.name]


def counted(spec: Spec, box: Box, node: str) -> str | None:
    """The spec's name of a panel or screen named by its number; None when the box has fewer."""
    kind, _, number = node.partition(" ")
    if not is_counted(node) or kind == "box":
        return None
    own = [n for n in own_nodes(spec, box) if n.startswith(f"{kind} ")]
    return own[int(number) - 1] if int(number) <= len(own) else None


def give_names(spec: Spec, box: Box, binding: Binding, names: Resolver) -> None:
    """Adds the spec's names beside the counted ones, in place."""
    for node in [n for n in binding.sources if is_counted(n)]:
        if name := counted(spec, box, node):
            _once(binding, names, node, name, binding.sources)
            binding.sources[name] = binding.sources[node]
    own = f"box {list(spec.boxes).index(box.name) + 1}"
    if "box" not in binding.sources and own in binding.sources:
        binding.sources["box"] = binding.sources[own]
    for rules in (binding.lamps, binding.backlights):
        for node in [n for n in rules if is_counted(n)]:
            if name := counted(spec, box, node):
                _once(binding, names, node, name, rules)
                rules[name] = rules[node]
    for node in [n for n in binding.keys if is_counted(n)]:
        if name := counted(spec, box, node):
            _once(binding, names, node, name, binding.keys)
            binding.keys[name] = replace(binding.keys[node], node=name)
    for node in [n for n in binding.alive if is_counted(n)]:
        if name := counted(spec, box, node):
            _once(binding, names, node, name, binding.alive)
            binding.alive[name] = replace(binding.alive[node], node=name)


def _once(
    binding: Binding,
    names: Resolver,
    node: str,
    name: str,
    group: dict[str, int] | dict[str, tuple[Rule, ...]] | dict[str, KeyRule] | dict[str, AliveRule],
) -> None:
    if name in group:
        part = binding.source_parts.get(node, binding.sheet.root)
        names.say(
            SignalName(node, part), f'"{node}" and "{name}" are the same node', advice="keep one of them"
        )


def check_nodes(spec: Spec, binding: Binding, names: Resolver) -> None:
    """Complains about nodes that the spec does not have and about addresses given twice."""
    known = {f"panel {n}" for n in spec.panels} | {f"screen {n}" for n in spec.screens}
    used: list[tuple[str, Part]] = list(binding.source_parts.items())
    used += [(n, r[0].part) for n, r in (*binding.lamps.items(), *binding.backlights.items()) if r]
    used += [(n, k.part) for n, k in binding.keys.items()] + [(n, a.part) for n, a in binding.alive.items()]
    if binding.ack:
        used += [(n, binding.ack.part) for n in binding.ack.sources.values()]
    if binding.wake and binding.wake.sender:
        used.append((binding.wake.sender, binding.wake.part))
    for node, part in used:
        if node not in known and node not in ("box", "sensors") and not is_counted(node):
            near = ", ".join(sorted(known)) or "the spec has no panels or screens"
            names.say(SignalName(node, part), f'the spec has no "{node}"', expected=near)
    addresses: dict[int, str] = {}
    for node, part in binding.source_parts.items():
        if (other := addresses.setdefault(binding.sources[node], node)) != node:
            names.say(SignalName(node, part), f'"{node}" has the source address of "{other}"')
