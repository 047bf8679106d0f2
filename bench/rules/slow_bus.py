"""A response time that the bus cannot keep, however quick the box is. Needs the definitions too."""

from __future__ import annotations

from collections.abc import Iterable

from bench.core.errors import Complaint
from bench.definitions.bus_load import bus_load
from bench.definitions.readings import BoundMessage
from bench.definitions.response_time import Response, response_times, streams_of
from bench.spec.model import Box, Spec

from .finding import finding

BITRATE = 250_000
_REPORTS = ("state:", "level:")


def check_bus(spec: Spec, messages: Iterable[BoundMessage], bitrate: int = BITRATE) -> list[Complaint]:
    """Warnings: at worst the frames around it hold up key and report for longer than `respond_ms` leaves."""
    known = list(messages)
    responses = {r.name: r for r in response_times(streams_of(known, bitrate), 1_000_000_000 // bitrate)}
    keys = [responses[m.name] for m in known if m.is_control and m.cycle_ms is None]
    return [
        c
        for box in spec.boxes.values()
        for c in _box(spec, box, keys, _reports(box, known, responses), bitrate)
    ]


def bus_words(messages: Iterable[BoundMessage], bitrate: int = BITRATE) -> str:
    """Load and longest wait on the bus, in one sentence."""
    known = list(messages)
    load = bus_load(known, bitrate)
    responses = response_times(streams_of(known, bitrate), 1_000_000_000 // bitrate)
    slowest = max(responses, key=lambda r: float("inf") if r.worst_ns is None else r.worst_ns)
    text = (
        f"At {bitrate} bit/s the cyclic messages are {load.frames_per_s:.0f} frames/s and take "
        f"{load.nominal_pct:.1f} to {load.worst_pct:.1f} % of the bus"
    )
    if slowest.worst_ms is None:
        return f"{text}; at worst {slowest.name} never gets through."
    return f"{text}; at worst {slowest.name} is through {slowest.worst_ms:.1f} ms after it was due."


def _reports(box: Box, messages: Iterable[BoundMessage], responses: dict[str, Response]) -> list[Response]:
    return [
        responses[m.name]
        for m in messages
        if m.node == box.name and any(s.startswith(_REPORTS) for s in m.signals)
    ]


def _box(
    spec: Spec, box: Box, keys: list[Response], reports: list[Response], bitrate: int
) -> list[Complaint]:
    frame = box.frames_ms.get("state") or box.frames_ms.get("level")
    if frame is None or not reports:
        return []
    where = f"boxes.{box.name}.respond_ms"
    endless = next((r.name for r in [*keys, *reports] if r.worst_ms is None), None)
    if endless is not None:
        text = f"at {bitrate} bit/s {endless} has no longest time to get through: the bus can be full"
        advice = "raise the bit rate, or send less often"
        return [finding(spec, where, text, "a bus with room", advice, warning=True)]
    spacing = frame.on_change_ms if frame.on_change_ms is not None else frame.cycle_ms or 0.0
    timing = box.timing_ms
    on_bus = max((r.worst_ms or 0.0 for r in keys), default=0.0) + max(r.worst_ms or 0.0 for r in reports)
    least = timing.scan + timing.debounce + timing.task + spacing + on_bus
    if least <= box.respond_ms:
        return []
    text = (
        f"respond_ms {box.respond_ms:g} cannot always be kept at {bitrate} bit/s: box {least - on_bus:g} ms "
        f"and {on_bus:.1f} ms for key and report behind other frames"
    )
    advice = "allow more, raise the bit rate, or send less often"
    return [finding(spec, where, text, f"at least {least:.1f} ms", advice, warning=True)]
