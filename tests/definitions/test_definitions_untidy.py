"""The same boat on the deliberately untidy definitions: the same observations, and no line of code.

cantools encodes one state of the boat in both sets of messages; only the bindings differ.
"""

import random

import cantools
import pytest
import yaml

from bench.core.errors import DefinitionError
from bench.core.frame import Frame
from bench.definitions import load_definitions

FAULTS = {0: 0, 1: 9, 2: 3, 3: 12, 4: 4, 5: 5}  # untidy.md
STATES = {0: 3, 1: 1, 2: 2, None: 0}
LAMPS = {0: 0, 1: 2, 2: 3, None: 1}


@pytest.fixture(scope="module")
def databases(dbc_folder):
    return [
        cantools.database.load_file(dbc_folder / f"{n}.dbc", strict=True) for n in ("switchbox", "untidy")
    ]


@pytest.fixture(scope="module")
def named_states(dbc_folder):
    rules = yaml.safe_load((dbc_folder / "untidy.binding.yaml").read_text(encoding="utf-8"))["reports"]
    return rules[True if True in rules else "state"][1]["named"]


class Boat:
    """One random state. Channels 1 to 11 of the untidy box cannot say tripped or not available."""

    def __init__(self, seed):
        rnd = random.Random(seed)
        channels = range(1, 25)
        self.state = {c: rnd.choice([0, 1]) if c < 12 else rnd.choice([0, 1, 2, None]) for c in channels}
        self.level = {c: rnd.choice([None, *range(0, 102, 2)]) for c in channels}
        self.current = {c: rnd.choice([None, *(k / 20 for k in range(400))]) for c in channels}
        self.fault = {c: rnd.choice([None, 0, 1, 2, 3, 4, 5]) for c in channels}
        self.panel = {k: rnd.choice([0, 1, 2, None]) for k in range(1, 13)}
        self.screen = {k: rnd.choice([0, 1]) for k in range(21, 43)}
        self.light, self.volt = rnd.choice([0, 40, 100]), rnd.choice([9.0, 12.0, 13.8])
        self.total, self.float_ = rnd.randrange(0, 40), rnd.randrange(2)
        self.reason = rnd.choice([1, 2, 3, 4])

    def tidy(self, db, bound):
        """Frames of the messages that this boat uses."""

        def na(size, value):
            return (1 << size) - 1 if value is None else value

        raw = {}
        for c in range(1, 25):
            raw[f"State{c:02}"] = na(2, self.state[c])
            raw[f"Level{c:02}"] = 255 if self.level[c] is None else round(self.level[c] / 0.4)
            raw[f"Current{c:02}"] = 65535 if self.current[c] is None else round(self.current[c] / 0.05)
            raw[f"Fault{c:02}"] = na(4, self.fault[c])
        lamps = {"PanelLamps1": {f"Lamp{k:02}": na(2, v) for k, v in self.panel.items()}}
        lamps["ScreenLamps1"] = {f"Lamp{k:02}": v for k, v in self.screen.items()}
        raw |= {
            "Backlight1": round(self.light / 0.4),
            "Voltage": round(self.volt * 100),
            "TotalCurrent": self.total * 10,
        }
        raw |= {
            "Reason": self.reason,
            "Input1": self.float_,
            "Firmware": 0x0104,
            "Configuration": 0x5A17C0DE,
            "Serial": 1042,
        }
        for m in db.messages:
            if m.name in bound and m.name != "KeyAck":
                values = {s.name: (1 << s.length) - 1 for s in m.signals}
                values |= {k: v for k, v in raw.items() if k in values} | lamps.get(m.name, {})
                yield Frame(0, m.frame_id & ~0xFF | 0x21, m.encode(values, scaling=False, strict=False))

    def untidy(self, db, named_states):
        raw = {f"nAus_{c}": 1 - self.state[c] for c in range(1, 12)}
        raw |= {name: STATES[self.state[c]] for c, name in named_states.items()}
        for c in range(1, 25):
            raw[f"Hell{c}"] = 255 if self.level[c] is None else round((self.level[c] + 10) / 0.5)
            raw[f"I_{c:03}"] = -32768 if self.current[c] is None else round(self.current[c] / 0.01)
            raw[f"Fehler_{c:02}"] = 15 if self.fault[c] is None else FAULTS[self.fault[c]]
        raw |= {f"L{k}": LAMPS[v] for k, v in self.panel.items()} | {
            f"Lampe{k}": v for k, v in self.screen.items()
        }
        raw |= {
            "Nachtlicht": self.light,
            "U_Bord": round((self.volt * 1000 - 5000) / 20),
            "I_Summe": self.total * 2,
        }
        raw |= {
            "nSchwimmer": 1 - self.float_,
            "Grund": self.reason * 10,
            "SerNr": 1042,
            "Pruefsumme": 0x5A17C0DE,
            "Fw": 0x0104,
        }
        for m in db.messages:
            if m.senders != ["STG"] or m.name == "Quittung":
                continue
            for values in pages(m, raw):
                can_id = m.frame_id & ~0xFF | 0xB3 if m.is_extended_frame else m.frame_id
                yield Frame(0, can_id, m.encode(values, scaling=False, strict=False), m.is_extended_frame)


def pages(message, raw):
    """Raw values of each page of a message."""
    selector = next((s for s in message.signals if s.is_multiplexer), None)
    ids = sorted({i for s in message.signals for i in s.multiplexer_ids or ()}) or [None]
    for page in ids:
        here = [s.name for s in message.signals if page is None or s.multiplexer_ids in (None, [page])]
        values = {n: raw.get(n, 0) for n in here}
        yield values if selector is None else values | {selector.name: page}


def seen(definitions, frames):
    """Signal -> value of everything told; a state's hint at a trip apart from the fault frames."""
    found = {}
    for frame in frames:
        reading = definitions.decode(frame)
        assert reading is not None, frame.describe()
        assert reading.undecodable is None, reading.undecodable
        for o in reading.observations:
            if o.signal.startswith(("counter:", "alive:")):
                continue
            key = (o.signal, reading.message.split("/")[1].startswith(("ChannelState", "Aus_")))
            assert key not in found
            found[key] = None if o.value is None else round(o.value, 9), o.reason
    return found


@pytest.mark.parametrize("seed", range(12))
def test_both_definitions_tell_the_same_of_the_same_boat(kittiwake, untidy, databases, named_states, seed):
    boat = Boat(seed)
    tidy, other = databases
    told = seen(untidy, boat.untidy(other, named_states))
    bound = {m.database_message for m in kittiwake.messages() if not m.is_control}
    assert told == seen(kittiwake, boat.tidy(tidy, bound))
    left_out = ("counter:", "alive:")
    assert {signal for signal, _ in told} == {
        s for s in kittiwake.signal_message if not s.startswith(left_out)
    }


def test_same_signals_are_observable(kittiwake, untidy):
    def kinds(definitions):
        return {s for s in definitions.signal_message if not s.startswith("counter:")}

    assert kinds(untidy) == kinds(kittiwake)
    assert untidy.warnings == ()


def test_untidy_definitions_are_as_untidy_as_they_claim(databases):
    signals = [s for m in databases[1].messages for s in m.signals]
    assert {s.byte_order for s in signals} == {"little_endian", "big_endian"}
    assert any(s.is_signed for s in signals)
    assert any(s.offset for s in signals)
    assert sum(s.is_multiplexer for s in signals) == 3
    assert {m.is_extended_frame for m in databases[1].messages} == {True, False}
    assert {m.length % 2 for m in databases[1].messages} == {0, 1}
    assert {m.name for m in databases[0].messages} & {m.name for m in databases[1].messages} == set()


def test_page_that_the_definitions_do_not_have_is_undecodable(untidy):
    reading = untidy.decode(Frame(0, 0x18EF22B3, bytes([0] * 6 + [40])))
    assert reading.undecodable.kind == "mux"
    assert reading.undecodable.reason == "Seite is 40, a page that the definitions do not have"


def test_destination_does_not_matter_in_a_peer_to_peer_group(untidy):
    assert untidy.decode(Frame(0, 0x18EF55B3, bytes([20] * 6 + [10]))).message == "main/Helligkeit page 10"


def test_raw_field_of_a_page_names_its_selector(untidy):
    f = untidy.raw_field("level:horn")
    assert f.selectors == ((tuple(range(55, 47, -1)), 10),)
    assert f.off == (20,)  # 0 % is 20 counts from -10 %
    assert untidy.raw_field("state:horn").off == (1,)
    assert untidy.raw_field("state:horn").on == (0,)


def test_acknowledge_by_number_instead_of_source(untidy):
    reading = untidy.decode(Frame(0, 0x122, bytes([1 | 22 << 1, 0xF5]), False))
    assert [(o.signal, o.value) for o in reading.observations] == [("ack:screen helm 22", 5.0)]


def test_pages_of_a_counted_message_must_say_whether_they_share_the_counter(boat_spec, tmp_path, dbc_folder):
    text = (dbc_folder / "untidy.binding.yaml").read_text(encoding="utf-8")
    assert ", pages: shared}" in text
    (tmp_path / "mine.yaml").write_text(text.replace(", pages: shared}", "}"), encoding="utf-8")
    with pytest.raises(DefinitionError) as caught:
        load_definitions(boat_spec("kittiwake", main=("untidy.dbc", "mine.yaml")), tmp_path)
    (complaint,) = caught.value.complaints
    assert complaint.text == "Strom is multiplexed and counted: do its pages share one counter?"
    assert complaint.expected == "pages: shared | own"


@pytest.mark.parametrize(("pages", "families"), [("shared", 1), ("own", 8)])
def test_pages_share_a_counter_as_the_binding_says(boat_spec, tmp_path, dbc_folder, pages, families):
    text = (dbc_folder / "untidy.binding.yaml").read_text(encoding="utf-8")
    (tmp_path / "mine.yaml").write_text(text.replace("pages: shared", f"pages: {pages}"), encoding="utf-8")
    found = load_definitions(boat_spec("kittiwake", main=("untidy.dbc", "mine.yaml")), tmp_path)
    strom = [m for m in found.messages() if m.database_message == "Strom"]
    assert [m.counter_bits for m in strom] == [8] * 8
    assert len({m.counted_as for m in strom}) == families
    bits = {m.database_message: m.counter_bits for m in found.messages()}
    assert (bits["Aus_vorn"], bits["Aus_hinten"], bits["Lampen_A"]) == (5, 6, 0)
