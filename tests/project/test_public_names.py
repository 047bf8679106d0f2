"""What each room offers: names that exist, are documented, and are what other rooms use."""

import ast
import importlib
import inspect

import pytest
from test_import_matrix import BENCH, modules

ROOMS = sorted(path.parent.name for path in BENCH.glob("*/__init__.py"))
OFFERING = [room for room in ROOMS if getattr(importlib.import_module(f"bench.{room}"), "__all__", None)]


@pytest.mark.parametrize("room", OFFERING)
def test_every_public_name_exists_and_says_what_it_is(room):
    module = importlib.import_module(f"bench.{room}")
    assert len(set(module.__all__)) == len(module.__all__)
    for name in module.__all__:
        value = getattr(module, name)
        if inspect.isclass(value) or inspect.isfunction(value):
            assert inspect.getdoc(value), f"bench.{room}.{name} has no docstring"


def test_rooms_that_others_use_offer_names():
    assert {
        "spec",
        "definitions",
        "oracle",
        "plan",
        "judge",
        "session",
        "assess",
        "report",
        "twin",
        "cli",
    } <= set(OFFERING)


def test_every_module_says_in_its_first_line_what_it_holds():
    silent = [
        str(path.relative_to(BENCH))
        for path in modules()
        if path.read_text(encoding="utf-8").strip()
        and not ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    ]
    assert silent == []


def private_uses(path):
    """Imports of a name that another room marks as private."""
    room = path.relative_to(BENCH).parts[0]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("bench."):
            parts = node.module.split(".")
            names = [alias.name for alias in node.names]
            if parts[1] != room and any(
                name.startswith("_") and name != "__version__" for name in [*parts, *names]
            ):
                yield f"{path.relative_to(BENCH)}:{node.lineno}: {node.module} {names}"


def test_no_room_uses_what_another_marks_as_private():
    assert [use for path in modules() for use in private_uses(path)] == []
