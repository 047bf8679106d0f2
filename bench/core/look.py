"""Names of what a person is asked to look at, listen to or read, as they stand in steps and marks."""

from __future__ import annotations

LAMPS = "lamps "  # and a node: which of its key lamps are lit, as bits of `value`
BACKLIGHT = "backlight "  # and a panel: `value` 1 lit, 0 dark
READY = "ready "  # and a circuit: it is worked once the person is ready
HEARD = "seen or heard "  # and a circuit: whether it came on when it was worked
LABEL = "label "  # and a box: answered in the person's own words
KINDS = (LAMPS, BACKLIGHT, READY, HEARD, LABEL)


def key_of(control: str) -> int:
    """The number of a key: 3 of `panel helm 3`."""
    return int(control.rpartition(" ")[2])


def bit_of(control: str) -> int:
    """The bit of a key's lamp among those of its node."""
    return 1 << key_of(control)


def split(name: str) -> tuple[str, str]:
    """(one of KINDS, what follows it); kind empty for a name that is none."""
    kind = next((k for k in KINDS if name.startswith(k)), "")
    return kind, name.removeprefix(kind)
