"""Real-time priority: said as it is, and given back."""

import os

import pytest

from bench.link.priority import ORDINARY, REAL_TIME, raised

here = pytest.mark.skipif(not hasattr(os, "sched_setscheduler"), reason="no such call on this system")


@here
def test_the_priority_is_what_was_said_and_as_before_afterwards():
    before = os.sched_getscheduler(0)
    with raised() as word:
        assert os.sched_getscheduler(0) == {REAL_TIME: os.SCHED_RR, ORDINARY: before}[word]
    assert os.sched_getscheduler(0) == before


@here
def test_where_it_is_not_allowed_everything_goes_on_as_it_was(monkeypatch):
    def refuse(*_):
        raise PermissionError

    monkeypatch.setattr(os, "sched_setscheduler", refuse)
    with raised() as word:
        assert word == ORDINARY


def test_where_there_is_none_that_is_said(monkeypatch):
    monkeypatch.delattr(os, "sched_setscheduler", raising=False)
    with raised() as word:
        assert word == ORDINARY
