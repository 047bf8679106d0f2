"""Every link passes the same kit: our slcan on a pseudo-terminal, python-can's, and the fake."""

import pytest
from conformance_ends import CanEnd, FakeEnd, FaultyEnd, LibrarySlcanEnd, SlcanEnd, VirtualEnd, factory

from bench.testing import CHECKS, CannotPlayError, NotConformingError

FROM_ADAPTER = {"garbage", "silent_adapter"}
DRIVER = {"refused_send", "unplug", "replug"}
HELD = {"held"}  # only an adapter with text of its own can be asked whether it holds frames back
BUS_OFF = {"bus_off"}  # slcan has a flag for it that nobody must ask for; python-can's virtual bus none


LIBRARY_FAILS = {"garbage", "held", "refused_send", "silent_adapter"}
ON_PORTS = {  # on a pseudo-terminal but for python-can's virtual bus: how it is made, and what it can play
    "slcan": (factory(SlcanEnd), CHECKS.keys() - BUS_OFF),
    "slcan, bare answers": (
        factory(SlcanEnd, bare_answers=True),
        {"order", "send", "refused_send", "loop_test"},
    ),
    "slcan, the adapter's stamps left on": (
        factory(SlcanEnd, stamps=True),
        {"order", "burst", "garbage", "held"},
    ),
    "slcan, without select": (factory(SlcanEnd, polled=True), CHECKS.keys() - BUS_OFF),
    "python-can virtual": (factory(CanEnd), CHECKS.keys() - FROM_ADAPTER - DRIVER - BUS_OFF - HELD),
    "python-can's slcan": (factory(LibrarySlcanEnd), CHECKS.keys() - BUS_OFF - LIBRARY_FAILS),
}


@pytest.mark.realtime
@pytest.mark.alone
@pytest.mark.slow
@pytest.mark.parametrize(
    ("end", "name"), [(end, name) for end, (_, names) in ON_PORTS.items() for name in sorted(names)]
)
def test_a_link_conforms(end, name):
    CHECKS[name](ON_PORTS[end][0])


@pytest.mark.realtime
@pytest.mark.alone
@pytest.mark.slow
@pytest.mark.parametrize("name", sorted({*DRIVER, "silent_adapter"}))
def test_python_can_with_a_failing_driver_conforms(name, monkeypatch):
    CHECKS[name](factory(CanEnd, monkeypatch))


@pytest.mark.realtime
@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(LIBRARY_FAILS))
def test_the_librarys_own_slcan_does_not_conform_where_the_adapter_must_be_listened_to(name):
    """For comparison: python-can's slcan interface as a link, behind the same adapter."""
    with pytest.raises(NotConformingError):
        CHECKS[name](factory(LibrarySlcanEnd))


@pytest.mark.parametrize("name", sorted(CHECKS.keys() - FROM_ADAPTER - DRIVER - BUS_OFF - HELD))
def test_the_in_process_virtual_bench_conforms(name):
    CHECKS[name](factory(VirtualEnd))


@pytest.mark.parametrize("name", sorted(DRIVER | HELD))
def test_the_virtual_bench_with_a_failing_link_conforms(name):
    CHECKS[name](factory(FaultyEnd))


@pytest.mark.parametrize("name", sorted(CHECKS.keys() - FROM_ADAPTER - HELD))
def test_the_fake_link_conforms(name):
    CHECKS[name](factory(FakeEnd))


@pytest.mark.parametrize("name", sorted(FROM_ADAPTER | HELD))
def test_a_check_that_cannot_be_played_says_so(name):
    with pytest.raises(CannotPlayError):
        CHECKS[name](factory(FakeEnd))
