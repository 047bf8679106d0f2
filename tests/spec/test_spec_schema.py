"""The JSON Schema, the reference page and the data classes come from one grammar: held together here.

Reference library: jsonschema (draft 2020-12), which knows nothing of our loader.
"""

import copy
import dataclasses
import re
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from bench.data import BOATS, boat_path
from bench.spec import json_schema, model, profile_schema
from bench.spec.grammar import SPEC
from bench.spec.nodes import compose
from bench.spec.reference import reference
from bench.spec.tables import ListOf, MapOf, Record, Tagged, WordOr

ROOT = Path(__file__).resolve().parents[2]
VALIDATOR = Draft202012Validator(json_schema())


def plain(node):
    """What a YAML 1.2 reader (core schema) makes of a node."""
    if node.kind == "map":
        return {k.value: plain(v) for k, v in node.value}
    if node.kind == "list":
        return [plain(v) for v in node.value]
    if node.plain and node.value in ("true", "false"):
        return node.value == "true"
    if node.plain and re.fullmatch(r"[-+]?[0-9]+", node.value):
        return int(node.value)
    if node.plain and re.fullmatch(r"[-+]?[0-9]+\.[0-9]+", node.value):
        return float(node.value)
    return node.value


def boat(name):
    return plain(compose(boat_path(name).read_text(encoding="utf-8"), name))


def test_the_schemas_are_schemas():
    Draft202012Validator.check_schema(json_schema())
    Draft202012Validator.check_schema(profile_schema())


@pytest.mark.parametrize("name", BOATS)
def test_each_boat_satisfies_the_schema(name):
    assert list(VALIDATOR.iter_errors(boat(name))) == []


BREAKS = {
    "unknown key": lambda b: b["boxes"]["main"].update(respnd_ms=1),
    "unknown key at the top": lambda b: b.update(ruels=[]),
    "missing key": lambda b: b["circuits"]["horn"].pop("load"),
    "wrong word": lambda b: b["circuits"]["horn"].update(load="pump"),
    "wrong type": lambda b: b["circuits"]["horn"].update(rated_a="5"),
    "out of range": lambda b: b["circuits"]["horn"].update(rated_a=0),
    "not whole": lambda b: b["circuits"]["horn"].update(channel=1.5),
    "two kinds": lambda b: b["functions"]["horn"].update(toggle="horn"),
    "no kind": lambda b: b["functions"].update(horn={}),
    "no part_on": lambda b: b["functions"]["deck"].pop("part_on"),
    "bad key number": lambda b: b["controls"]["panel helm"].update({"x": "horn"}),
    "bad node": lambda b: b["controls"].update({"helm": {}}),
    "rule without sees": lambda b: b["rules"][1].pop("sees"),
    "wire of two sizes": lambda b: b["circuits"]["horn"]["wire"].update(mm2=2.5),
    "frame that says nothing": lambda b: b["boxes"]["main"]["frames_ms"].update(state={}),
    "frame of no kind": lambda b: b["boxes"]["main"]["frames_ms"].update(sate={"cycle": 100}),
    "newer version": lambda b: b.update(hardstand=2),
    "empty group": lambda b: b["functions"]["deck"].update(group=[]),
    "yes for true": lambda b: b["boxes"]["main"]["supply"].update(restores="yes"),
}


@pytest.mark.parametrize("case", BREAKS)
def test_the_schema_refuses_what_the_loader_refuses(case):
    broken = copy.deepcopy(boat("kittiwake"))
    BREAKS[case](broken)
    assert list(VALIDATOR.iter_errors(broken))


def test_the_schema_of_the_bench_profile_judges_like_its_loader():
    check = Draft202012Validator(profile_schema())
    good = {
        "hardstand_bench": 1,
        "adapter": "slcan:PORT",
        "clock": "host",
        "echo": "none",
        "confirms": True,
        "jitter_ms": 3,
        "supply": "none",
        "circuits": {"horn": {"load": {"ohm": 12}}, "deck_fwd": {"load": "none"}},
        "channels": {"main": {"3": {"load": "as_spec"}}},
    }
    assert list(check.iter_errors(good)) == []
    assert list(check.iter_errors({**good, "supply": "some"}))
    assert list(check.iter_errors({**good, "circuits": {"horn": {"load": 12}}}))
    assert list(check.iter_errors({**good, "limits": {"horn_ms": 1}}))


def records(shape):
    if isinstance(shape, Record):
        yield shape
        for field in shape.fields.values():
            yield from records(field.shape)
    elif isinstance(shape, MapOf):
        yield from records(shape.value)
    elif isinstance(shape, ListOf):
        yield from records(shape.item)
    elif isinstance(shape, Tagged):
        for record in shape.records.values():
            yield from records(record)
    elif isinstance(shape, WordOr):
        yield from records(shape.record)


# fields that come from where a thing stands (its key in a table) or from the reading itself
FROM_PLACE = {
    "Box": {"name"},
    "ControlNode": {"kind", "name"},
    "Sensor": {"name"},
    "Circuit": {"name"},
    "Function": {"name", "kind", "implied"},
    "Shown": {"word"},
    "ScenarioStep": {"kind"},
    "Control": {"name", "node", "kind", "key"},
    "Spec": {"forces", "follows", "inhibits", "wakes", "backlights", "path", "source", "places"},
}


def test_every_field_of_the_model_can_be_said():
    said = {}
    for record in records(SPEC):
        said.setdefault(record.cls.__name__, set()).update(f.name for f in record.fields.values())
    classes = [c for c in vars(model).values() if dataclasses.is_dataclass(c)]
    assert len(classes) == 28
    for cls in classes:
        names = {f.name for f in dataclasses.fields(cls)} - FROM_PLACE.get(cls.__name__, set())
        extra = {"hardstand", "rules"} if cls is model.Spec else set()
        assert said[cls.__name__] - extra == names, cls.__name__


def test_every_key_has_a_meaning_in_words():
    for record in records(SPEC):
        for field in record.fields.values():
            assert field.about.strip(), (record.title, field.key)


def test_the_reference_page_is_the_one_the_grammar_makes():
    assert (ROOT / "docs" / "spec.md").read_text(encoding="utf-8") == reference()
