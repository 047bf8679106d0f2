"""How each box behaves as a whole, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from .model import Box, FrameTiming, Spec, SupplyLimits
from .wording import names, seconds

_MEANS = {
    "fuse_seat": "by its fuse in the override seat",
    "switch": "by a switch on the box",
    "link": "by a link",
}


def box_promises(spec: Spec, box: Box) -> Iterator[str]:
    """Promises about timing, wake-up, by hand, trips and supply."""
    yield (
        f"Box {box.name} ({box.supply_v:g} V) shows the effect of a key within {seconds(box.respond_ms)}, "
        f"and currents are steady within {seconds(box.settle_ms)}. Presses less than "
        f"{seconds(box.resolves_ms)} apart may count in either order.{_presses(box)}"
    )
    yield (
        f"Box {box.name} looks at its inputs every {seconds(box.timing_ms.scan)}, takes them as steady after "
        f"{seconds(box.timing_ms.debounce)} and works every {seconds(box.timing_ms.task)}. It reports "
        f"{names(f'{kind} {_frame(t)}' for kind, t in box.frames_ms.items())}; levels in steps of "
        f"{box.level_step_pct:g} %; {_current(box)}. Its messages are those of {box.definitions}, "
        f"bound by {box.binding}."
    )
    yield _wake(box)
    yield _by_hand(box)
    if any(c.trip is not None and c.box == box.name for c in spec.circuits.values()):
        kept = "keeps a trip through" if box.trip_at_wake == "kept" else "clears every trip at"
        yield f"Box {box.name} {kept} wake-up."
    yield _supply(box, box.supply)


def _presses(box: Box) -> str:
    short = (
        f" A press shorter than {seconds(box.shortest_press_ms)} may be lost."
        if box.shortest_press_ms
        else ""
    )
    again = "is the same event" if box.repeated_counter == "ignored" else "is a new event"
    return f"{short} A key event with the same counter again {again}."


def _frame(timing: FrameTiming) -> str:
    parts = []
    if timing.on_change_ms is not None:
        parts.append(f"on change ({seconds(timing.on_change_ms)} apart at least)")
    if timing.cycle_ms is not None:
        parts.append(f"every {seconds(timing.cycle_ms)}")
    return names(parts)


def _current(box: Box) -> str:
    if box.current is None:
        return "its currents are not judged"
    return f"currents within {box.current.gain_pct:g} % and {box.current.offset_a:g} A"


def _wake(box: Box) -> str:
    by = "with its supply" if box.wake.by == "supply" else "by its wake message"
    others = "stay dark" if box.wake.others == "dark" else "come back as they were"
    silent = box.wake.not_available_ms
    states = f' States may read "not available" for up to {seconds(silent)} after that.' if silent else ""
    wakes = f"Box {box.name} wakes {by} within {box.wake.within_s:g} s"
    return f"{wakes}; circuits without a wake-up level {others}.{states}"


def _by_hand(box: Box) -> str:
    known = "the box knows of it" if box.by_hand.sensed == "flag" else "the box does not know of it"
    presses = "ignored" if box.by_hand.presses == "ignored" else "remembered for afterwards"
    means = _MEANS.get(box.by_hand.means, f"by {box.by_hand.means}")
    on = f"On box {box.name} a circuit can be put on by hand, {means}"
    return f"{on}; {known}, and presses for it meanwhile are {presses}."


def _supply(box: Box, supply: SupplyLimits | None) -> str:
    if supply is None:
        return f"What box {box.name} does at low supply is not agreed."
    low = f"When the supply of box {box.name} is below {supply.low_v:g} V for {supply.low_for_s:g} s"
    ends = f"it has been above {supply.ends_v:g} V for {supply.ends_for_s:g} s"
    if not supply.sheds:
        return f"{low}, nothing is switched off; that ends when {ends}."
    one = len(supply.sheds) == 1
    shed = f"{names(supply.sheds)} {'goes' if one else 'go'} off"
    presses = "cannot be switched on" if supply.presses == "refused" else "can be switched on again"
    after = "nothing comes back by itself"
    if supply.restores:
        after = "it then comes back as before" if one else "they then come back as before"
    return f"{low}, {shed} and {presses} until {ends}; {after}."
