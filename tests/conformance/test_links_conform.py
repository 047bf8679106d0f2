"""Every link passes the same kit: our slcan on a pseudo-terminal, python-can's, and the fake."""

import pytest
from conformance_ends import CanEnd, FakeEnd, FaultyEnd, LibrarySlcanEnd, SlcanEnd, VirtualEnd, factory

from bench.testing import CHECKS, CannotPlayError, NotConformingError

FROM_ADAPTER = {"garbage", "silent_adapter"}
DRIVER = {"refused_send", "unplug", "replug"}
HELD = {"held"}  # only an adapter with text of its own can be asked whether it holds frames back
BUS_OFF = {"bus_off"}  # slcan has a flag for it that nobody must ask for; python-can's virtual bus none


@pytest.mark.realtime
@pytest.mark.alone
@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(CHECKS.keys() - BUS_OFF))
def test_slcan_on_a_pseudo_terminal_conforms(name):
    CHECKS[name](factory(SlcanEnd))


@pytest.mark.realtime
@pytest.mark.alone
@pytest.mark.slow
@pytest.mark.parametrize("name", ["order", "send", "refused_send", "loop_test"])
def test_slcan_with_bare_answers_conforms(name):
    CHECKS[name](factory(SlcanEnd, bare_answers=True))


@pytest.mark.realtime
@pytest.mark.alone
@pytest.mark.slow
@pytest.mark.parametrize("name", ["order", "burst", "garbage", "held"])
def test_slcan_with_the_adapters_stamps_left_on_conforms(name):
    CHECKS[name](factory(SlcanEnd, stamps=True))


@pytest.mark.realtime
@pytest.mark.alone
@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(CHECKS.keys() - BUS_OFF))
def test_slcan_without_select_conforms(name):
    CHECKS[name](factory(SlcanEnd, polled=True))


@pytest.mark.realtime
@pytest.mark.alone
@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(CHECKS.keys() - FROM_ADAPTER - DRIVER - BUS_OFF - HELD))
def test_python_can_virtual_conforms(name):
    CHECKS[name](factory(CanEnd))


@pytest.mark.realtime
@pytest.mark.alone
@pytest.mark.slow
@pytest.mark.parametrize("name", sorted({*DRIVER, "silent_adapter"}))
def test_python_can_with_a_failing_driver_conforms(name, monkeypatch):
    CHECKS[name](factory(CanEnd, monkeypatch))


LIBRARY_FAILS = {"garbage", "held", "refused_send", "silent_adapter"}


@pytest.mark.realtime
@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(LIBRARY_FAILS))
def test_the_librarys_own_slcan_does_not_conform_where_the_adapter_must_be_listened_to(name):
    """For comparison: python-can's slcan interface as a link, behind the same adapter."""
    with pytest.raises(NotConformingError):
        CHECKS[name](factory(LibrarySlcanEnd))


@pytest.mark.realtime
@pytest.mark.alone
@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(CHECKS.keys() - BUS_OFF - LIBRARY_FAILS))
def test_the_librarys_own_slcan_conforms_elsewhere(name):
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
