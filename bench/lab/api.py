"""A whole run on the virtual box, in virtual time: minutes of bench time in a second."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from bench.core.clock import VirtualClock
from bench.core.errors import Complaint, UsageError
from bench.definitions import load_definitions
from bench.run.api import Boat, Wishes, run_on, with_supply_limit
from bench.run.conductor import Progress, no_progress
from bench.run.result import RunResult
from bench.run.stop import StopFlag
from bench.spec import load_spec
from bench.twin import Fault, Tables, Twin, boats, load_tables

from .person import SimulatedPerson
from .virtual import START_NS, VirtualBench
from .virtual_supply import Manner, SuppliedBench

DEMO = "kittiwake"
DATA = Path(__file__).resolve().parents[1] / "data"


def boat_tables(name: str) -> Tables:
    """The virtual box's own tables for a shipped boat, by the boat's name or the word demo.

    Raises: UsageError with the names there are.
    """
    return load_tables(boats()[_word(name)])


def _word(name: str) -> str:
    word = DEMO if name == "demo" else Path(name).stem.lower().replace(" ", "_")
    if word not in boats():
        known = ", ".join(sorted(boats()))
        advice = "give its virtual box's tables (--tables FILE), or run on the real box (--on slcan:PORT)"
        raise UsageError(
            Complaint(f'no virtual box is shipped for "{name}"', expected=f"demo, {known}", advice=advice)
        )
    return word


def load_boat(spec: str | Path) -> Boat:
    """A boat by its spec's path, or by the name of a shipped one (demo, kittiwake ...).

    Raises: SpecError, DefinitionError, UsageError.
    """
    path = Path(spec)
    if not path.suffix:
        path = DATA / f"{_word(str(spec))}.yaml"
    loaded = load_spec(path)
    return Boat(loaded.spec, load_definitions(loaded.spec, path.parent))


def run_virtual(
    spec: str | Path = "demo", *, faults: Sequence[Fault] = (), seed: int = 0, out: Path | None = None,
    short: bool = False, boat: Boat | None = None, tables: Tables | None = None, wishes: Wishes | None = None,
    stop: StopFlag | None = None, progress: Progress = no_progress, manner: Manner | None = None,
) -> RunResult:  # fmt: skip
    """Runs the plan of a boat on its virtual box with `faults` seeded; `seed` fixes noise and jitter.

    A supply in `wishes` is simulated, and reads in a `manner`. `boat`: already loaded, else it is loaded
    from `spec`; the virtual box is the one of the boat's name, unless `tables` are given. The same arguments
    give the same bytes. Raises as `load_boat`, and UsageError when the folder `out` is not empty.
    """
    boat = boat or load_boat(spec)
    tables = tables or boat_tables(boat.spec.boat.name)
    clock = VirtualClock(START_NS)
    twin = Twin(tables, seed=seed, faults=faults, start_ns=START_NS, powered=False)
    wishes = wishes or Wishes(short=short, out=out)
    if isinstance(wishes.operator, SimulatedPerson):
        wishes.operator.box = twin
    stop = StopFlag() if stop is None else stop
    link: VirtualBench = VirtualBench(twin, clock)
    wishes = with_supply_limit(boat, wishes)
    if wishes.supply is not None:
        link = SuppliedBench(
            twin, clock, wishes.supply.setting, manner=manner, seed=seed, on_trouble=stop.set
        )
    return run_on(
        boat, link, clock, replace(wishes, guard=False), adapter="virtual", stop=stop, progress=progress
    )
