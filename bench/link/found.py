"""What there is on this computer to reach a bus with. Nothing is opened."""

from __future__ import annotations

import contextlib
import logging
from pathlib import Path
from typing import NamedTuple

CAN_INTERFACE = "280"  # ARPHRD_CAN in Linux include/uapi/linux/if_arp.h
NETWORK = Path("/sys/class/net")


class Found(NamedTuple):
    """`link`: as `run --on` takes it; `about`: in words."""

    link: str
    about: str


def found_links(network: Path = NETWORK) -> list[Found]:
    """Serial ports, interfaces of the system, adapters that python-can detects."""
    return [*_serial_ports(), *system_interfaces(network), *_detected()]


def _serial_ports() -> list[Found]:
    from serial.tools import list_ports

    ports = sorted(list_ports.comports(), key=lambda p: p.device)
    return [Found(f"slcan:{p.device}", f"serial port: {p.description}") for p in ports]


def system_interfaces(network: Path) -> list[Found]:
    """SocketCAN interfaces and whether they are up."""
    found = []
    for place in sorted(network.glob("*/type")):
        with contextlib.suppress(OSError, ValueError):
            if place.read_text().strip() == CAN_INTERFACE:
                up = int((place.parent / "flags").read_text(), 16) & 1
                found.append(
                    Found(f"socketcan:{place.parent.name}", f"CAN interface, {'up' if up else 'down'}")
                )
    return found


def _detected() -> list[Found]:
    import can

    logging.getLogger("can").setLevel(logging.CRITICAL)  # it complains of each driver that is not there
    try:
        configs = can.detect_available_configs()
    except Exception:  # a driver's trouble must not hide the other links
        return []
    return [
        Found(f"{c['interface']}:{c['channel']}", "adapter that python-can finds")
        for c in configs
        if c["interface"] not in ("virtual", "socketcan", "slcan", "serial")
    ]
