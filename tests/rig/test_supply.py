"""The bench's side of a supply, over a pseudo-terminal and over a loopback socket."""

import threading

import pytest
from served_supply import supply_of

from bench.core.clock import SystemClock
from bench.core.errors import BenchError, UsageError
from bench.core.link import Meter
from bench.lab.supply_server import PtySupply
from bench.lab.supply_sim import FAULTS, Resistance, SimSupply
from bench.rig import LAG_MS, load_dialect, open_supply
from bench.rig.scpi import parse_error, parse_identity, parse_number

pytestmark = [pytest.mark.realtime, pytest.mark.slow]


def energise(supply):
    """All that a bench does with a supply."""
    supply.clear_errors()
    supply.output(False)
    supply.set_volts(13.2)
    supply.set_limit(5.0)
    supply.output(True)
    readings = [supply.measure() for _ in range(3)]
    supply.output(False)
    return readings


def test_settings_reach_the_terminals_and_are_measured(serve):
    sim = SimSupply(Resistance(6.6))
    with supply_of(sim, serve) as supply:
        readings = energise(supply)
        assert [(r.volts, r.amps) for r in readings] == [(13.2, 2.0)] * 3
        assert all(r.from_ns < r.t_ns for r in readings)
        assert (sim.on, sim.volts, sim.limit_a) == (False, 13.2, 5.0)


@pytest.mark.parametrize("kind", FAULTS)
def test_each_fault_is_an_error_that_says_what_was_seen_and_what_to_do(kind, serve):
    sim = SimSupply(Resistance(6.6), FAULTS[kind])
    with pytest.raises(BenchError) as caught, supply_of(sim, serve, answer_s=0.1) as supply:
        energise(supply)
    complaint = caught.value.complaints[0]
    assert FAULTS[kind].shows in f"{complaint.text} {complaint.expected}"
    assert complaint.expected and complaint.advice and "supply" in complaint.text


def test_a_refused_setting_names_command_code_and_class(serve):
    with supply_of(SimSupply(), serve) as supply:
        with pytest.raises(
            BenchError, match=r'reports execution error -222 "Data out of range" after VOLT 99.000'
        ):
            supply.set_volts(99.0)
        assert supply.errors() == ()  # the queue was emptied


def test_old_errors_are_told_apart_from_those_of_a_setting(serve):
    sim = SimSupply()
    sim.report(-310)
    with supply_of(sim, serve) as supply:
        assert [e.code for e in supply.clear_errors()] == [-310]
        supply.set_volts(12.0)


def test_switching_off_needs_no_answer(serve):
    sim = SimSupply(Resistance(), FAULTS["falls_mute"])
    with supply_of(sim, serve, answer_s=0.05) as supply:
        with pytest.raises(BenchError):
            for _ in range(9):
                supply.output(True)
        assert sim.on
        said = supply.switch_off()
        assert not sim.on
        assert "did not answer" in said and "by hand" in said


def test_an_output_that_stays_on_is_said(serve):
    sim = SimSupply()
    with supply_of(sim, serve) as supply:
        supply.output(True)
        sim.fault = FAULTS["stuck_output"]
        assert "still on" in supply.switch_off()


class LateWire:
    """Answers as told; the answer to the first question comes when nobody waits any more."""

    def __init__(self, answers):
        self.answers, self.said, self.waiting = answers, [], []

    def write(self, text):
        self.said.append(text.strip())
        if (answer := self.answers.get(self.said[-1])) is not None:
            self.waiting.append(answer)

    def read_line(self, until_ns):
        if len(self.said) == 1:
            return None
        return self.waiting.pop(0) if self.waiting else None

    def drain(self, quiet_ms):
        self.waiting.clear()

    def close(self):
        pass


def test_a_late_answer_is_never_taken_for_that_of_a_later_question():
    from bench.rig.supply import Supply

    wire = LateWire({"MEAS:VOLT?": "1.5", "*IDN?": "A,B,0,1", "OUTP?": "0"})
    supply = Supply(wire, load_dialect(), SystemClock(), answer_s=0.01)
    with pytest.raises(BenchError, match="did not answer MEAS:VOLT"):
        supply.measure()
    assert supply.is_on() is False
    assert wire.said == ["MEAS:VOLT?", "*IDN?", "OUTP?"]


def test_a_port_that_vanishes_is_said():
    server = PtySupply(SimSupply())
    stop = threading.Event()
    thread = threading.Thread(target=lambda: [server.turn(0.01) for _ in iter(stop.is_set, True)])
    thread.start()
    supply = open_supply(server.path, load_dialect(), SystemClock(), answer_s=0.1)
    stop.set()
    thread.join()
    server.close()
    with pytest.raises(BenchError, match="is gone"):
        supply.measure()
    assert "is gone" in supply.switch_off()
    supply.close()


def test_a_port_that_is_not_there_is_said():
    with pytest.raises(BenchError, match=r"supply port \./nowhere cannot be opened"):
        open_supply("./nowhere", load_dialect(), SystemClock())


@pytest.mark.parametrize(
    ("answer", "kind", "bit"),
    [
        ('-113,"Undefined header"', "command", 5), ('-222,"Data out of range"', "execution", 4),
        ('-310,"System error"', "device", 3), ('17,"Too hot"', "device", 3),
        ('-410,"Query INTERRUPTED"', "query", 2),
        ('-600,"User request"', "user request", 6), ('-800,"Operation complete"', "operation complete", 0),
    ],
)  # fmt: skip
def test_codes_fall_into_the_classes_of_the_standard(answer, kind, bit):  # SCP-03
    error = parse_error(answer)
    assert (error.kind, error.event_bit) == (kind, bit)


def test_answers_are_read_strictly():
    assert parse_error('+0,"No error"').code == 0  # SCP-05: some print +0
    assert parse_error('-100,"say ""what"""').text == 'say "what"'
    assert [parse_error(t) for t in ("0", "No error", "", '1.5,"x"')] == [None] * 4
    assert [parse_number(t) for t in ("9.91E37", "nan", "inf", "", "1,2", "1.5E1")] == [None] * 5 + [15.0]
    assert parse_identity("Saltmarsh,SIM1,0,1.0").serial == "0"
    assert [parse_identity(t) for t in ("", "a,b,c", "a,b,c,d,e", ",b,c,d")] == [None] * 4


def test_a_dialect_of_ones_own_changes_the_words(tmp_path):
    shipped = (load_dialect_path()).read_text(encoding="utf-8")
    own = tmp_path / "own.toml"
    own.write_text(shipped.replace('"VOLT {value:.3f}"', '"SOUR:VOLT {value:.1f}"'), encoding="utf-8")
    sim = SimSupply()
    with supply_of(sim, dialect=str(own)) as supply:
        supply.set_volts(12.0)
    assert sim.volts == 12.0


def test_a_wrong_dialect_is_told_in_full(tmp_path):
    own = tmp_path / "own.toml"
    text = load_dialect_path().read_text(encoding="utf-8")
    text = text.replace("{value:.3f}", "12", 1).replace('error = "SYST:ERR?"', 'eror = "SYST:ERR?"')
    own.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        load_dialect(str(own))
    told = str(caught.value)
    assert 'unknown key "ask.eror"' in told
    assert "ask.error is None" in told
    assert "a command with {value} once" in told
    with pytest.raises(UsageError, match="expected scpi"):
        load_dialect("nothing")


def load_dialect_path():
    from bench.rig.dialect import SHIPPED

    return SHIPPED / "scpi.toml"


def test_what_a_dialect_states_of_its_readings_is_read_and_held_to_sense(tmp_path):
    shipped = load_dialect_path().read_text(encoding="utf-8")
    own = tmp_path / "own.toml"
    own.write_text(shipped + "[meter]\ndetects_a = 0.2\n", encoding="utf-8")
    assert load_dialect(str(own)).meter == Meter(0.2, LAG_MS)
    assert load_dialect().meter is None
    own.write_text(shipped + "[meter]\ndetects_a = 0\nlag_ms = -1\nsteps = 3\n", encoding="utf-8")
    with pytest.raises(UsageError) as told:
        load_dialect(str(own))
    assert [c.text for c in told.value.complaints] == [
        'unknown key "meter.steps"', "meter.detects_a is 0", "meter.lag_ms is -1",
    ]  # fmt: skip
