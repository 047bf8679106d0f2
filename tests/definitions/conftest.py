"""The boats' definitions, loaded once."""

from dataclasses import replace
from pathlib import Path

import pytest

import bench
from bench.definitions import load_definitions
from bench.spec import load_spec

ROOT = Path(bench.__file__).resolve().parent.parent
DBC = ROOT / "dbc"


def boat(name, **per_box):
    """A boat's spec; `per_box`: box -> (definitions, binding) to use instead of the spec's."""
    spec = load_spec(ROOT / "bench" / "data" / f"{name}.yaml").spec
    boxes = {
        k: replace(b, definitions=per_box[k][0], binding=per_box[k][1]) if k in per_box else b
        for k, b in spec.boxes.items()
    }
    return replace(spec, boxes=boxes)


@pytest.fixture(scope="session")
def kittiwake_spec():
    return boat("kittiwake", main=("switchbox.dbc", "kittiwake.binding.yaml"))


@pytest.fixture
def kittiwake(kittiwake_spec):
    return load_definitions(kittiwake_spec, None)


@pytest.fixture
def untidy():
    return load_definitions(boat("kittiwake", main=("untidy.dbc", "untidy.binding.yaml")), None)


@pytest.fixture
def fulmar():
    boxes = {n: ("switchbox.dbc", f"fulmar_{n}.binding.yaml") for n in ("fore", "aft")}
    return load_definitions(boat("fulmar", **boxes), None)


@pytest.fixture(scope="session")
def dbc_folder():
    return DBC


@pytest.fixture(scope="session")
def docs_folder():
    return ROOT / "docs"


@pytest.fixture(scope="session")
def boat_spec():
    """Makes a boat's spec with other files; see `boat`."""
    return boat
