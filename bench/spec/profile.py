"""The bench profile: what stands on this bench. Same reading and complaints as the spec."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from bench.core.errors import Complaint

from . import grammar_parts as parts
from .loader import check_version
from .model import Spec
from .nodes import compose, read_text
from .reading import BAD, Reading
from .shapes import Key, Name, Number, Read, Text, Version, YesNo
from .tables import Field, ListOf, MapOf, Record, WordOr

VERSION = 1


@dataclass(frozen=True, slots=True)
class Resistor:
    """A load bank's resistor in place of the real load."""

    ohm: float


RealLoad = Literal["as_spec", "none"] | Resistor


@dataclass(frozen=True, slots=True)
class FixedSupply:
    """A supply that the bench cannot switch or read."""

    fixed_v: float


@dataclass(frozen=True, slots=True)
class SerialSupply:
    """A supply that the bench switches and reads. `port`: None when the command line names it; `volts`: None
    for the boxes' nominal voltage; `detects_a`: None where nothing is stated of its readings; `least_v`,
    `most_v`: how far a plan may move it, None not at all."""

    limit_a: float
    port: str | None = None
    volts: float | None = None
    dialect: str = "scpi"
    detects_a: float | None = None
    lag_ms: float | None = None
    least_v: float | None = None
    most_v: float | None = None


@dataclass(frozen=True, slots=True)
class _SupplyEntry:
    fixed_v: float | None = None
    limit_a: float | None = None
    port: str | None = None
    volts: float | None = None
    dialect: str | None = None
    detects_a: float | None = None
    lag_ms: float | None = None
    least_v: float | None = None
    most_v: float | None = None


@dataclass(frozen=True, slots=True)
class Fixture:
    """Something beside the link that the bench can do to the box. `on`: circuits or sensors."""

    name: str
    does: Literal["by_hand", "overload", "sensor", "supply_dip"]
    by: Literal["person", "rig"]
    on: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Limits:
    """How long the bench may run what must not run long, in s; None: no limit. `circuits`: by name."""

    horn_s: float | None = None
    pump_dry_s: float | None = None
    circuits: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class BenchProfile:
    """`channels`: box -> channel number -> load. A circuit's entry and its channel's exclude each other."""

    adapter: str
    clock: Literal["host", "device"]
    echo: Literal["none", "flagged"]
    confirms: bool
    jitter_ms: float
    supply: Literal["none"] | FixedSupply | SerialSupply = "none"
    circuits: Mapping[str, RealLoad] = field(default_factory=dict)
    channels: Mapping[str, Mapping[int, RealLoad]] = field(default_factory=dict)
    fixtures: Mapping[str, Fixture] = field(default_factory=dict)
    limits: Limits = field(default_factory=Limits)
    name: str = ""
    path: str = ""
    places: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    def load_of(self, spec: Spec, circuit: str) -> RealLoad:
        """What really hangs on a circuit's output. Raises KeyError for an unknown circuit."""
        if circuit in self.circuits:
            return self.circuits[circuit]
        known = spec.circuits[circuit]
        return self.channels.get(known.box, {}).get(known.channel, "as_spec")


@dataclass(frozen=True, slots=True)
class _LoadEntry:
    load: RealLoad


_RESISTOR = Record("a resistor", Resistor, Field("ohm", Number("ohm", above=0, hi=1e6), "Its resistance."))
_LOAD = Record(
    "a load",
    _LoadEntry,
    Field(
        "load",
        WordOr(("as_spec", "none"), _RESISTOR),
        "The spec's own load, none, or a resistor. With none the circuit's current is not tested.",
    ),
)
_SUPPLY = Record(
    "a supply",
    _SupplyEntry,
    Field("fixed_v", parts.VOLT, "Of a supply that nobody switches or reads: its voltage, and nothing else."),
    Field("limit_a", Number("A", above=0, hi=1000), "Of one that the bench switches: its current limit."),
    Field("port", Text(), "Its serial port, or a URL of pyserial; left out: `run --supply` names it."),
    Field("volts", parts.VOLT, "What it is set to; left out: the boxes' `supply_v`."),
    Field("dialect", Text(), "Its command words: `scpi`, or a file that ends in .toml; left out: `scpi`."),
    Field(
        "detects_a",
        Number("A", above=0, hi=1000),
        "The smallest step of current that its readings show for sure. Left out: as its dialect says, or "
        "else it is no second witness.",
    ),
    Field("lag_ms", parts.MS, "How old what it shows may be when it is asked; left out: 500."),
    Field("least_v", parts.VOLT, "As low as a plan may set it; left out: low supply is not tested."),
    Field("most_v", parts.VOLT, "As high as the boxes are rated for; left out: high supply is not tested."),
)
_FIXTURE = Record(
    "a fixture",
    Fixture,
    Field("does", parts.word(Fixture, "does"), "What it can do to the box."),
    Field("by", parts.word(Fixture, "by"), "Who does it: a person who is asked to, or the rig."),
    Field("on", ListOf(Name("circuit or sensor")), "Circuits or sensors it reaches; left out: all."),
    build=False,
)
_LIMITS = Record(
    "limits",
    Limits,
    Field("horn_s", parts.SECONDS_ABOVE, "Longest time a horn sounds at a stretch."),
    Field("pump_dry_s", parts.SECONDS_ABOVE, "Longest time a pump runs dry at a stretch."),
    Field(
        "circuits",
        MapOf(Name("circuit"), parts.SECONDS_ABOVE),
        "Longest time a circuit is on at a stretch: a horn, a pump that runs dry, a heater. A plan that "
        "exceeds it is refused; a circuit that is reported on for longer ends the run.",
    ),
    about="How long the bench may run what must not run long.",
)
_CHANNEL = Key(r"[1-9][0-9]{0,2}", "a channel's number")
PROFILE = Record(
    "the bench profile",
    BenchProfile,
    Field("hardstand_bench", Version(VERSION), "Version of this format; the first key.", needed="yes"),
    Field("name", Text(), "What the bench is called."),
    Field("adapter", Text(), "The link: `twin`, `slcan:PORT`, or `INTERFACE:CHANNEL`."),
    Field("clock", parts.word(BenchProfile, "clock"), "Whose clock stamps the frames."),
    Field("echo", parts.word(BenchProfile, "echo"), "Whether own frames come back, flagged as such."),
    Field("confirms", YesNo(), "Whether the adapter acknowledges what it sent."),
    Field("jitter_ms", parts.MS, "Worst time between a frame being on the bus and its stamp."),
    Field("supply", WordOr(("none",), _SUPPLY), "The box's supply, as far as the bench knows it."),
    Field(
        "circuits",
        MapOf(Name("circuit"), _LOAD),
        "What really hangs on circuits; as the spec says otherwise.",
    ),
    Field("channels", MapOf(Name("box"), MapOf(_CHANNEL, _LOAD)), "The same by box and channel."),
    Field("fixtures", MapOf(Name("fixture"), _FIXTURE), "What the bench can do beside the link, by name."),
    Field("limits", _LIMITS, _LIMITS.about),
    build=False,
)


def load_profile(path: str | Path) -> BenchProfile:
    """Read a bench profile. **Raises:** SpecError with all complaints, each with line and column."""
    return parse_profile(read_text(Path(path), kind="bench profile"), str(path))


def parse_profile(text: str, path: str = "<text>") -> BenchProfile:
    """Read a bench profile from its text. **Raises:** SpecError with all complaints."""
    root = compose(text, path, kind="bench profile")
    check_version(root, path, "hardstand_bench", VERSION)
    reading = Reading(path)
    tree = PROFILE.read(root, "", reading)
    _supply(tree, reading)
    reading.stop_on_errors()
    tree.pop("hardstand_bench")
    tree["circuits"] = _loads(tree.get("circuits", {}))
    tree["channels"] = {
        box: {int(number): load for number, load in _loads(channels).items()}
        for box, channels in tree.get("channels", {}).items()
    }
    tree["fixtures"] = {n: Fixture(name=n, **values) for n, values in tree.get("fixtures", {}).items()}
    return BenchProfile(path=path, places=reading.places, **tree)


_SWITCHED = ("limit_a", "port", "volts", "dialect", "detects_a", "lag_ms", "least_v", "most_v")


def _supply(tree: dict[str, Any], reading: Reading) -> None:
    """Either fixed, or switched with a current limit."""
    entry = tree.get("supply")
    if not isinstance(entry, _SupplyEntry):
        return
    more = [n for n in _SWITCHED if getattr(entry, n) is not None]
    if entry.fixed_v is not None:
        if more:
            text = f"a supply of fixed voltage has no {', '.join(more)}"
            reading.at("supply", text, "fixed_v alone", "delete fixed_v if the bench switches it")
        tree["supply"] = FixedSupply(entry.fixed_v)
    elif entry.limit_a is None:
        text = "the supply has neither fixed_v nor limit_a"
        reading.at("supply", text, "one of them", "give the current limit it is to be set to")
    else:
        tree["supply"] = SerialSupply(
            entry.limit_a, entry.port, entry.volts, entry.dialect or "scpi", entry.detects_a, entry.lag_ms,
            entry.least_v, entry.most_v,
        )  # fmt: skip


def _loads(table: Mapping[str, Read]) -> dict[str, RealLoad]:
    return {name: entry.load for name, entry in table.items() if entry is not BAD}


def match_profile(profile: BenchProfile, spec: Spec) -> tuple[Complaint, ...]:
    """What the profile says of circuits, channels and sensors that the spec does not have."""
    reading = Reading(profile.path)
    reading.places.update(profile.places)
    for name in profile.circuits:
        if name not in spec.circuits:
            reading.unknown(f"circuits.{name}", "circuit", name, spec.circuits)
    for box, channels in profile.channels.items():
        if box not in spec.boxes:
            reading.unknown(f"channels.{box}", "box", box, spec.boxes)
            continue
        for number in channels:
            _match_channel(profile, spec, reading, box, number)
    for fixture in profile.fixtures.values():
        for number, name in enumerate(fixture.on, 1):
            if name not in spec.circuits and name not in spec.sensors:
                known = [*spec.circuits, *spec.sensors]
                reading.unknown(f"fixtures.{fixture.name}.on.{number}", "circuit or sensor", name, known)
    return reading.sorted()


def _match_channel(profile: BenchProfile, spec: Spec, reading: Reading, box: str, number: int) -> None:
    where = f"channels.{box}.{number}"
    circuit = spec.circuit_at(box, number)
    if circuit is None:
        reading.at(where, f"no circuit is on channel {number} of box {box}", "a channel that the spec uses")
    elif circuit.name in profile.circuits:
        text = f'circuit "{circuit.name}" has two loads: by its name and by its channel {number}'
        reading.at(where, text, "one of them", "delete one")


__all__ = [
    "BenchProfile",
    "FixedSupply",
    "Fixture",
    "Limits",
    "RealLoad",
    "Resistor",
    "SerialSupply",
    "load_profile",
    "match_profile",
    "parse_profile",
]
