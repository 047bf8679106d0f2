"""The virtual box's firmware satisfies every golden trace, alone, from tables written by hand. Source of each
expectation: docs/meaning.md, by hand."""

from __future__ import annotations

from typing import Any

import pytest
import runner

from bench.spec import model as spec_model
from bench.twin import Tables, Twin, parse_tables

KEY_EVENT, ADDRESS = 0x0CFF1000, {"p": 0x41, "s": 0x51}  # docs/messages.md: KeyEvent, source addresses


class TwinBox:
    """The virtual box worked without frames; with them where the tables say what keys sound like."""

    def __init__(self, spec: spec_model.Spec, tables: Tables, framed: bool) -> None:
        self.spec, self.tables, self.framed = spec, tables, framed
        self.counter = 0
        self.latest: dict[tuple[str, int], tuple[str, bytes]] = {}
        self.by_supply = any(b.wake.by == "supply" for b in spec.boxes.values())
        start = runner.BASE_NS + (runner.START_MS - 2000) * 10**6
        woken = runner.BASE_NS + runner.START_MS * 10**6
        self.twin = Twin(tables, start_ns=start, powered=False)
        self.act(woken, "supply", (1,))
        if not self.by_supply:
            self.act(woken, "wake", ())

    def act(self, t_ns: int, verb: str, args: tuple[Any, ...]) -> None:
        self.twin.run_until(t_ns)
        if verb in ("press", "release", "repeat"):
            self._key(t_ns, verb, args)
        elif verb == "sensor":
            self.twin.sensor(t_ns, self.spec.sensors[args[0]].input, args[1])
        elif verb in ("by_hand", "overload"):
            c = self.spec.circuits[args[0]]
            getattr(self.twin, verb)(t_ns, c.box, c.channel, bool(args[1]))
        elif verb in ("lost", "back"):
            name = (
                f"input {self.spec.sensors[args[1]].input}" if args[0] == "sensor" else f"{args[0]} {args[1]}"
            )
            self.twin.lost(t_ns, name, verb == "lost")
        else:
            self._box(t_ns, verb, args)

    def _key(self, t_ns: int, verb: str, key: tuple[str, int]) -> None:
        node, number = key
        if verb == "repeat":
            verb, data = self.latest[key]
        else:
            self.counter = (self.counter + 1) % 256
            data = bytes((number, int(verb == "press"), self.counter))
        self.latest[key] = verb, data
        if self.framed:
            self.twin.receive(t_ns, KEY_EVENT + ADDRESS[node], data)
        else:
            name = runner.control(self.spec, key).rsplit(" ", 1)[0]
            (self.twin.press if verb == "press" else self.twin.release)(t_ns, name, number)

    def _box(self, t_ns: int, verb: str, args: tuple[Any, ...]) -> None:
        for box in self.spec.boxes:
            if verb == "shed":
                self.twin.shed(t_ns, box, bool(args[0]))
            elif verb == "supply":
                self.twin.supply(t_ns, box, bool(args[0]))
            elif self.by_supply:
                self.twin.supply(t_ns, box, False)
                self.twin.supply(t_ns, box, True)
            else:
                self.twin.wake(t_ns, box)

    def read(self, t_ns: int, see: runner.See) -> tuple[float, float]:
        self.twin.run_until(t_ns)
        value = self._value(t_ns, see)
        return value, value

    def _value(self, t_ns: int, see: runner.See) -> float:
        if see.what == "lamp":
            key = runner.parse_key(see.subject)
            return float(self.twin.lamp(runner.control(self.spec, key).rsplit(" ", 1)[0], key[1]))
        if see.what == "backlight":
            return float(self.twin.backlight(f"panel {see.subject}"))
        c = self.spec.circuits[see.subject]
        if see.what == "true":
            return float(self.twin.truth(t_ns)[c.box, c.channel].percent)
        number = self.tables.number(c.box, c.channel)
        return float((self.twin.fault if see.what == "fault" else self.twin.output)(number))


SHEETS = runner.sheets()
TRACES = [(sheet, trace) for sheet in SHEETS for trace in sheet.traces]
TABLES: dict[str, Tables] = {}


@pytest.mark.parametrize(
    ("sheet", "trace"), TRACES, ids=[f"{s.file[:-5]}:{t.name.replace(' ', '-')}" for s, t in TRACES]
)
def test_the_twin_does_what_the_meaning_says(sheet, trace):
    if sheet.file not in TABLES:
        TABLES[sheet.file] = parse_tables(sheet.tables, str(runner.HERE / sheet.file))
    spec = runner.spec_of(sheet)
    box = TwinBox(spec, TABLES[sheet.file], framed="[[heard]]" in sheet.tables)
    wrong = runner.walk(trace, spec, box)
    assert not wrong, "\n".join(wrong)
