"""Which reader reads which identifier, over all boxes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bench.core.errors import Complaint

from .controls import Carrier, ControlReader, Heartbeat, LevelKeys, Several, WakeCall
from .observers import Page, Switch
from .readings import BoundMessage

Route = tuple[int, int, bool, Page | Switch | ControlReader | Several]  # identifier, mask, extended
Report = tuple[int, int, bool, Page | Switch]


def merge_wakes(controls: Sequence[ControlReader]) -> list[ControlReader]:
    """Wake calls of several boxes by one message become one that wakes them all."""
    out: list[ControlReader] = []
    for c in controls:
        twin = next(
            (o for o in out if isinstance(o, WakeCall) and _address(o.carrier) == _address(c.carrier)), None
        )
        if twin is not None and isinstance(c, WakeCall):
            out[out.index(twin)] = replace(twin, boxes=twin.boxes + c.boxes)
        else:
            out.append(c)
    return out


def _address(c: Carrier) -> tuple[int, int, bool]:
    return c.can_id & c.id_mask, c.id_mask, c.extended


def all_routes(reports: Sequence[Report], controls: Sequence[ControlReader]) -> list[Route]:
    """One reader an identifier; control frames that mean several things are read for all of them."""
    groups: dict[tuple[int, int, bool], list[ControlReader]] = {}
    for c in controls:
        groups.setdefault(_address(c.carrier), []).append(c)
    routes: list[Route] = list(reports)
    for (can_id, mask, extended), group in groups.items():
        routes.append((can_id, mask, extended, group[0] if len(group) == 1 else Several(tuple(group))))
    return routes


def collisions(reports: Sequence[Report], controls: Sequence[ControlReader]) -> list[Complaint]:
    """Complaints about nodes whose frames could not be told apart."""
    found: list[Complaint] = []
    seen: list[tuple[int, int, bool, str, str]] = []  # the last: node of a control frame, else empty
    named = [(i, m, e, r.message, "") for i, m, e, r in reports]
    named += [
        (c.carrier.can_id, c.carrier.id_mask, c.carrier.extended, c.carrier.name, c.carrier.node)
        for c in controls
    ]
    for can_id, mask, extended, name, node in named:
        for other_id, other_mask, other_extended, other, owner in seen:
            apart = extended != other_extended or (can_id ^ other_id) & mask & other_mask
            if not apart and (not node or node != owner):
                advice = "give the nodes different source addresses in their bindings"
                found.append(
                    Complaint(f"{name} and {other} have the same identifier {can_id:X}", advice=advice)
                )
        seen.append((can_id, mask, extended, name, node))
    return found


def control_message(c: ControlReader) -> BoundMessage:
    """A control message as plain data."""
    signals: tuple[str, ...] = ()
    if isinstance(c, LevelKeys):
        signals = tuple(c.places)
    elif isinstance(c, WakeCall):
        signals = c.boxes
    k = c.carrier
    return BoundMessage(
        name=k.name,
        node=k.node,
        can_id=k.can_id,
        id_mask=k.id_mask,
        extended=k.extended,
        length=k.length,
        cycle_ms=k.period_ms,
        on_change_ms=None if isinstance(c, Heartbeat) else 0.0,
        signals=signals,
        is_control=True,
        database_message=k.name.partition("/")[2],
    )
