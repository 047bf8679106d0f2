"""The conformance kit finds broken links: each fault below is seen by the check that names it."""

import pytest
from conformance_ends import FakeEnd, factory

from bench.core.entry import Alive, Confirmed, LinkLost, Refused
from bench.core.frame import RX, TX, Frame
from bench.testing import CHECKS, NotConformingError


def received(entry):
    return type(entry) is Frame and entry.direction == RX


def sent(entry):
    return type(entry) is Frame and entry.direction == TX


FAULTS = {
    "loses every tenth frame": ("order", lambda e: [x for n, x in enumerate(e) if not received(x) or n % 10]),
    "repeats frames": ("order", lambda e: [x for x in e for _ in range(1 + received(x))]),
    "reorders frames": ("order", lambda e: e[::-1]),
    "reorders a burst": ("burst", lambda e: e[::-1]),
    "loses a burst's end": ("burst", lambda e: e[:1900]),
    "cuts data": ("order", lambda e: [x._replace(data=x.data[:4]) if received(x) else x for x in e]),
    "forgets the identifier's size": (
        "order",
        lambda e: [x._replace(extended=True) if received(x) else x for x in e],
    ),
    "stamps with another clock": ("stamps", lambda e: [x._replace(t_ns=0) for x in e]),
    "never says that it is alive": ("silence", lambda e: [x for x in e if not isinstance(x, Alive)]),
    "sees what is not there": ("silence", lambda e: [*e, Frame(0, 1, b"")]),
    "shows no own sends": ("send", lambda e: [x for x in e if not sent(x)]),
    "confirms nothing": ("send", lambda e: [x for x in e if not isinstance(x, Confirmed)]),
    "confirms another": ("send", lambda e: [x._replace(tag=7) if isinstance(x, Confirmed) else x for x in e]),
    "sends early": ("send", lambda e: [x._replace(t_ns=x.t_ns - 9_000_000) if sent(x) else x for x in e]),
    "takes echoes for answers": ("send", lambda e: [*e, *(x._replace(direction=RX) for x in e if sent(x))]),
    "hides refusals": ("refused_send", lambda e: [x for x in e if not isinstance(x, Refused)]),
    "takes refusals for success": (
        "refused_send",
        lambda e: [Confirmed(x.t_ns, x.tag) if isinstance(x, Refused) else x for x in e],
    ),
    "hides the end": ("unplug", lambda e: [x for x in e if not isinstance(x, LinkLost)]),
    "ends twice": ("unplug", lambda e: [x for x in e for _ in range(1 + isinstance(x, LinkLost))]),
}


class BrokenEnd(FakeEnd):
    """A fake whose entries are spoilt on their way out."""

    def __init__(self, spoil):
        super().__init__()
        wait = self.link.wait
        self.link.wait = lambda until_ns: spoil(wait(until_ns))


@pytest.mark.parametrize("fault", FAULTS)
def test_a_broken_link_does_not_pass(fault):
    check, spoil = FAULTS[fault]
    with pytest.raises(NotConformingError):
        CHECKS[check](factory(BrokenEnd, spoil))
