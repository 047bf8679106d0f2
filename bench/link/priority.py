"""Real-time priority while instants matter, where the system allows it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

REAL_TIME, ORDINARY = "real-time", "ordinary"


@contextmanager
def raised() -> Iterator[str]:
    """The calling thread, and threads and processes that it starts meanwhile, run before all ordinary ones
    (SCHED_RR, lowest priority) where that is allowed. Gives which it is, in a word."""
    set_scheduler = getattr(os, "sched_setscheduler", None)
    if set_scheduler is None:
        yield ORDINARY
        return
    before, had = os.sched_getscheduler(0), os.sched_getparam(0)
    try:
        set_scheduler(0, os.SCHED_RR, os.sched_param(os.sched_get_priority_min(os.SCHED_RR)))
    except OSError:
        yield ORDINARY
        return
    try:
        yield REAL_TIME
    finally:
        set_scheduler(0, before, had)
