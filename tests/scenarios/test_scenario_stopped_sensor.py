"""A run stopped while a float switch forces a pump, or a key is held: at rest before it switches off."""

import pytest

from bench.lab.api import run_virtual
from bench.run.stop import StopFlag


@pytest.mark.slow
@pytest.mark.parametrize("steps_later", [0, 1, 3])
def test_the_forced_pump_is_off_whenever_the_run_is_stopped(steps_later):
    stop, after = StopFlag(), []

    def watch(_at_ms, _total_ms, text):
        if after or "bilge_float" in text:
            after.append(text)
        if len(after) > steps_later:
            stop.set("interrupted")

    result = run_virtual("demo", stop=stop, progress=watch)
    assert result.reason == "interrupted"
    assert result.off.all_off, result.off.text()


@pytest.mark.slow
@pytest.mark.parametrize("steps_later", [0, 3])
def test_a_key_that_is_sent_as_a_level_is_not_held_on_by_cyclic_frames(steps_later):
    stop, after = StopFlag(), []

    def watch(_at_ms, _total_ms, text):
        if after or text.startswith("crane_raise: all off, then"):
            after.append(text)
        if len(after) > steps_later + 1:
            stop.set("interrupted")

    result = run_virtual("dotterel", stop=stop, progress=watch)
    assert result.reason == "interrupted"
    assert result.off.all_off, result.off.text()
    assert result.verdict.discrepancies == ()
