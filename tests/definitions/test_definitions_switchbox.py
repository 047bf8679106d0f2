"""dbc/switchbox.dbc against the table of docs/messages.md, which it must say exactly."""

import re

import cantools
import pytest

PHYSICAL = {
    "Level": (0.4, "%"),
    "Backlight": (0.4, "%"),
    "Current": (0.05, "A"),
    "Voltage": (0.01, "V"),
    "TotalCurrent": (0.1, "A"),
}
SENDERS = {
    "KeyEvent": {"Panel", "Screen"},
    "ControlAlive": {"Panel", "Screen"},
    "WakeRequest": {"Panel", "Screen"},
    "SensorInputs": {"SensorModule"},
}


def rows(text):
    """Message name, PS, priority, bytes, when and fields of each line of the page's tables."""
    when = ""
    for line in text.splitlines():
        cells = [c.strip() for c in line.strip("|").split("|")]
        if len(cells) != 6 or not cells[1].startswith("0x"):
            continue
        when = when if cells[4] == "same" else cells[4]
        name, ps = cells[0], cells[1]
        if ".." not in name:
            yield name, int(ps, 16), *map(int, cells[2:4]), when, cells[5], 0
            continue
        stem, first, last = re.fullmatch(r"(\D+)(\d+)\.\.(\d+)", name).groups()
        start = int(ps.split("..")[0], 16)
        assert int(ps.split("..")[1], 16) - start == int(last) - int(first)
        for k in range(int(first), int(last) + 1):
            yield f"{stem}{k}", start + k - 1, *map(int, cells[2:4]), when, cells[5], k - 1


def fields(text, page):
    """Name -> (first bit, length) of a fields cell."""
    text = text.replace("Current(4k+1) 0 16 ... 48 16", "Current(4k+1) 0 16 ... Current(4k+4) 48 16")
    text = text.replace("Fault(16k+1) 0 4 ... 60 4", "Fault(16k+1) 0 4 ... Fault(16k+16) 60 4")
    text = re.sub(r"\((\d+)k\+(\d+)\)", lambda m: f"{int(m[1]) * page + int(m[2]):02}", text)
    found = {}
    for part in re.sub(r"\([^)]*\)", "", text).split(";"):
        ends = re.findall(r"([A-Z][A-Za-z]*)(\d*) (\d+) (\d+)", part)
        if "..." not in part:
            found |= {f"{n}{k}": (int(a), int(b)) for n, k, a, b in ends}
            continue
        (name, first, start, size), (_, last, end, _) = ends
        for k in range(int(first), int(last) + 1):
            found[f"{name}{k:0{len(first)}}"] = (int(start) + int(size) * (k - int(first)), int(size))
        assert found[f"{name}{last}"][0] == int(end)
    return found


@pytest.fixture(scope="module")
def table(docs_folder):
    return list(rows((docs_folder / "messages.md").read_text(encoding="utf-8")))


@pytest.fixture(scope="module")
def database(dbc_folder):
    return cantools.database.load_file(dbc_folder / "switchbox.dbc", strict=True)


def test_file_holds_exactly_the_messages_of_the_page(table, database):
    assert {r[0] for r in table} == {m.name for m in database.messages}
    assert len(table) == 42


def test_identifiers_and_lengths_are_those_of_the_page(table, database):
    for name, ps, priority, length, *_ in table:
        message = database.get_message_by_name(name)
        assert message.frame_id == priority << 26 | 0xFF << 16 | ps << 8 | 0xFE, name
        assert message.is_extended_frame
        assert message.length == length, name


def test_fields_lie_where_the_page_says(table, database):
    for name, _, _, _, _, cell, page in table:
        signals = database.get_message_by_name(name).signals
        got = {s.name: (s.start, s.length) for s in signals}
        assert got == fields(cell, page), name
        assert all(s.byte_order == "little_endian" and not s.is_signed for s in signals)


def test_cycles_and_spacings_are_those_of_the_page(table, database):
    for name, _, _, _, when, *_ in table:
        message = database.get_message_by_name(name)
        cycle = re.search(r"(?<!\()\b(\d+) ms(?! spacing)", when)
        spacing = re.search(r"(\d+) ms spacing", when)
        attributes = {k: v.value for k, v in message.dbc.attributes.items()}
        assert (message.cycle_time or None) == (int(cycle[1]) if cycle else None), name
        assert attributes.get("GenMsgDelayTime") == (int(spacing[1]) if spacing else None), name
        assert ("event" in message.send_type.lower()) == (name not in CYCLIC_ONLY), name


CYCLIC_ONLY = {
    "ControlAlive",
    "SupplyStatus",
    "BoxAlive",
    "Identity",
    *(f"ChannelCurrent{k}" for k in range(1, 13)),
}


def test_scales_and_units_are_those_of_the_page(database):
    for message in database.messages:
        for s in message.signals:
            scale, unit = PHYSICAL.get(s.name.rstrip("0123456789"), (1, "s" if s.name == "Uptime" else ""))
            assert (s.scale, s.offset, s.unit or "") == (scale, 0, unit), s.name


def test_value_tables_are_those_of_the_page(database):
    state = {0: "off", 1: "on", 2: "tripped", 3: "not available"}
    lamp = {0: "off", 1: "on", 2: "flashing", 3: "not available"}
    fault = {
        0: "none",
        1: "tripped",
        2: "open load",
        3: "by hand",
        4: "overcurrent",
        5: "overheat",
        14: "error",
        15: "not available",
    }
    wanted = {"State": state, "Lamp": lamp, "Fault": fault}
    seen = 0
    for message in database.messages:
        for s in message.signals:
            if table := wanted.get(s.name.rstrip("0123456789")):
                assert {k: str(v) for k, v in s.choices.items()} == table, s.name
                seen += 1
    assert seen == 48 + 48 + 4 * 28 + 4 * 28


def test_senders(database):
    for message in database.messages:
        assert set(message.senders) == SENDERS.get(message.name, {"Box"}), message.name
