"""The words of a binding for raw values, and the numbers of core.signal they stand for."""

from __future__ import annotations

STATE = {"off": 0, "on": 1, "tripped": 2}  # tripped: the output is off, and a fault besides
FAULT = {"none": 0, "tripped": 1, "open_load": 2, "by_hand": 3, "overcurrent": 4, "overheat": 5}
LAMP = {"off": 0, "on": 1, "flashing": 2}
SENSOR = {"off": 0, "on": 1}
BOOT = {"unknown": 0, "supply": 1, "message": 2, "watchdog": 3, "command": 4}

WORDS: dict[str, dict[str, int]] = {
    "state": STATE, "fault": FAULT, "lamp": LAMP, "sensor": SENSOR, "boot": BOOT,
}  # fmt: skip
PER_CHANNEL = ("state", "level", "current", "fault")
PER_BOX = ("supply_v", "total_a", "boot", "alive")
# the spec's name for the timing of each kind of frame
TIMING = {
    "state": "state", "level": "level", "current": "current", "fault": "fault", "lamp": "lamp",
    "backlight": "backlight", "supply_v": "supply", "total_a": "supply", "alive": "alive",
    "identity": "identity", "sensor": "sensor",
}  # fmt: skip
