"""For all tests: plans of the shipped boats are made once a process; many would wait for little else.

Whoever tests the making itself calls bench.plan, which is not touched, or is marked `plans_anew`.
"""

import functools

import pytest

from bench import plan
from bench.run import api

make, made = plan.make_plan, {}


@functools.wraps(make)
def remembered(*args, **choices):
    key = repr((args, sorted(choices.items())))
    if key not in made:
        made[key] = make(*args, **choices)
    return made[key]


@pytest.fixture(autouse=True)
def plans_made_once(request, monkeypatch):
    if request.node.get_closest_marker("plans_anew") is None:
        monkeypatch.setattr(api, "make_plan", remembered)
        monkeypatch.setattr(plan, "make_plan", remembered)
