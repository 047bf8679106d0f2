"""The simulated supply against the standards: IEEE 488.2, SCPI-1999 volume 2 chapter 21 (SCP-01 to 05)."""

import pytest

from bench.lab.supply_sim import FAULTS, Resistance, SimSupply

# SCP-01: the common commands that are mandatory
COMMON = [
    "*CLS",
    "*ESE 0",
    "*ESE?",
    "*ESR?",
    "*IDN?",
    "*OPC",
    "*OPC?",
    "*RST",
    "*SRE 0",
    "*SRE?",
    "*STB?",
    "*TST?",
]
COMMON.append("*WAI")
EMPTY = b'0,"No error"\n'


def say(sim, text):
    return sim.feed(text.encode() + b"\n")


@pytest.mark.parametrize("command", COMMON)
def test_every_mandatory_common_command_is_obeyed(command):
    sim = SimSupply()
    answer = say(sim, command)
    assert bool(answer) == command.endswith("?")
    assert say(sim, "SYST:ERR?") == EMPTY


def test_there_are_thirteen_of_them():
    assert len({c.split()[0] for c in COMMON}) == 13


def test_identity_has_four_fields():
    assert len(say(SimSupply(), "*IDN?").split(b",")) == 4


# SCP-03: class of the code and the bit it sets; SCP-04: its text
@pytest.mark.parametrize(
    ("wrong", "code", "text", "bit"),
    [
        ("VOLTS 3", -113, "Undefined header", 32),
        ("VOLT", -109, "Missing parameter", 32),
        ("*CLS 1", -108, "Parameter not allowed", 32),
        ("VOLT twelve", -104, "Data type error", 32),
        ("!?", -102, "Syntax error", 32),
        ("VOLT 1000", -222, "Data out of range", 16),
        ("OUTP maybe", -224, "Illegal parameter value", 16),
    ],
)
def test_each_mistake_is_queued_and_sets_the_bit_of_its_class(wrong, code, text, bit):
    sim = SimSupply()
    say(sim, "*CLS")
    assert say(sim, wrong) == b""
    assert say(sim, "*ESR?") == f"{bit}\n".encode()
    assert say(sim, "SYST:ERR?") == f'{code},"{text}"\n'.encode()
    assert say(sim, "SYST:ERR?") == EMPTY


def test_the_last_entry_of_a_full_queue_becomes_queue_overflow():  # SCP-05
    sim = SimSupply()
    for _ in range(30):
        say(sim, "VOLT 1000")
    codes = []
    while (answer := say(sim, "SYST:ERR?")) != EMPTY:
        codes.append(int(answer.split(b",")[0]))
    assert codes == [-222] * 7 + [-350]


def test_clear_empties_the_queue_and_the_status_byte_shows_it():
    sim = SimSupply()
    say(sim, "NONSENSE")
    assert int(say(sim, "*STB?")) & 4
    say(sim, "*CLS")
    assert not int(say(sim, "*STB?")) & 4
    assert say(sim, "SYST:ERR?") == EMPTY


def test_an_enabled_event_shows_in_the_status_byte_and_asks_for_service():
    sim = SimSupply()
    for text in ("*CLS", "*ESE 16", "*SRE 32", "VOLT 1000"):
        say(sim, text)
    assert int(say(sim, "*STB?")) & 96 == 96


@pytest.mark.parametrize(
    "command",
    [
        "VOLT 12",
        "voltage 12",
        "SOUR:VOLT 12",
        ":SOURce:VOLTage:LEVel:IMMediate:AMPLitude 12",
        "Volt:Lev 1.2E1",
    ],
)
def test_long_and_short_forms_say_the_same(command):
    sim = SimSupply()
    say(sim, command)
    assert sim.volts == 12.0 and say(sim, "SYST:ERR?") == EMPTY


def test_a_form_between_long_and_short_is_unknown():
    sim = SimSupply()
    say(sim, "VOLTA 12")
    assert say(sim, "SYST:ERR?").startswith(b"-113")


def test_several_commands_on_one_line_give_one_line_of_answers():
    assert say(SimSupply(), "VOLT 3;VOLT?;*OPC?") == b"3.0000;1\n"


def test_bytes_may_come_one_by_one():
    sim = SimSupply()
    answer = b"".join(sim.feed(bytes([b])) for b in b"*OPC?\r\n")
    assert answer == b"1\n"


def test_beyond_its_limit_the_current_stays_and_the_voltage_gives_way():
    sim = SimSupply(Resistance(2.0))
    for text in ("VOLT 12", "CURR 3", "OUTP ON"):
        say(sim, text)
    assert say(sim, "MEAS:CURR?") == b"3.0000\n"
    assert say(sim, "MEAS:VOLT?") == b"6.0000\n"


def test_every_fault_says_what_it_is_and_what_must_be_told():
    assert all(f.kind == kind and f.about and f.shows for kind, f in FAULTS.items())
