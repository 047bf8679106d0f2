"""What can happen to a boat, in the words of the spec. The oracle is told these, and nothing else."""

from __future__ import annotations

from typing import NamedTuple

# kinds, with what `name` and `value` hold
PRESS = "press"  # name: control ("panel helm 1"); value 1
RELEASE = "release"  # name: control; value 0
SENSOR = "sensor"  # name: sensor; value 0 or 1
SUPPLY = "supply"  # name: box; value 1 on, 0 off
WAKE = "wake"  # name: box; the box woke (boot seen, or wake message sent)
BY_HAND = "by_hand"  # name: circuit; value 1 seat in use, 0 back to normal
TRIP = "trip"  # name: circuit; value 1 overload began and the electronic fuse opened
LOST = "lost"  # name: "panel helm" | "screen helm" | "sensor bilge_float"; value 1 lost, 0 back
SHED = "shed"  # name: box; value 1 supply low long enough, 0 restored


class Event(NamedTuple):
    """One cause at one instant."""

    t_ns: int
    kind: str
    name: str
    value: int = 1


def panel_key(panel: str, key: int) -> str:
    """The control's one name: `panel helm 1`."""
    return f"panel {panel} {key}"


def screen_key(screen: str, key: int) -> str:
    """The control's one name: `screen helm 21`."""
    return f"screen {screen} {key}"
