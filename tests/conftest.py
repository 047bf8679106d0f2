"""For all tests: the same plan is made once a process; many would wait for little else.

Not so for tests that change anything by `monkeypatch`, and for those marked `plans_anew`.
"""

import functools

import pytest

from bench import plan
from bench.plan.make import make_plan as make
from bench.run import api

made = {}
anew = False


@functools.wraps(make)
def remembered(*args, **choices):
    if anew:
        return make(*args, **choices)
    key = repr((args, sorted(choices.items())))
    if key not in made:
        made[key] = make(*args, **choices)
    return made[key]


plan.make_plan = api.make_plan = remembered


@pytest.fixture(autouse=True)
def plans(request):
    global anew
    anew = "monkeypatch" in request.fixturenames or request.node.get_closest_marker("plans_anew") is not None
    yield
    anew = False
