"""Raw fields as plain data, for readers that must do without definitions."""

from __future__ import annotations

from .observers import Observer, bit_places
from .readings import BoundMessage, RawField
from .words import STATE

_LISTED = 4096


def raw_field(o: Observer, message: BoundMessage, page: tuple[int, ...]) -> RawField:
    """Where an observer's raw value lies. `page`: raw selector values, outermost first."""
    f = o.field
    off, on, unknown = _meanings(o)
    selectors = tuple(
        (bit_places(s, message.length), value & s.mask)
        for (s, _), value in zip(f.selectors, page, strict=False)
    )
    return RawField(
        can_id=message.can_id,
        id_mask=message.id_mask,
        extended=message.extended,
        length=message.length,
        start=f.start,
        size=f.size,
        byte_order="big" if f.big else "little",
        bits=bit_places(f, message.length),
        off=off,
        on=on,
        not_available=unknown,
        selectors=selectors,
    )


def _meanings(o: Observer) -> tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]]:
    """Raw bit patterns that mean off, on, and not available."""
    rule = o.rule

    def patterns(spans: list[tuple[int, int]]) -> tuple[int, ...]:
        raws = [raw for lo, hi in spans for raw in range(lo, min(hi, lo + _LISTED) + 1)]
        return tuple(raw & o.mask for raw in raws[:_LISTED])

    unknown = patterns([*rule.not_available, *rule.error])
    if rule.words:
        rest = (STATE["off"], STATE["tripped"]) if o.signal.startswith("state:") else (0,)
        off = [(lo, hi) for lo, hi, value in rule.words if value in rest]
        on = [(lo, hi) for lo, hi, value in rule.words if value not in rest]
        return patterns(off), patterns(on), unknown
    zero = -o.offset / o.scale
    raw = round(zero)
    return ((raw & o.mask,) if abs(raw - zero) < 1e-6 else ()), (), unknown
