"""Which room may import which, read from the imports themselves (those inside functions too).

MATRIX is the contract, written down once. DEVELOPERS.md shows it; a test there compares.
"""

import ast
from pathlib import Path

import pytest

BENCH = Path(__file__).resolve().parents[2] / "bench"

EVERYTHING = ["*"]
BENCH_SIDE = [
    "core", "definitions", "spec", "loads", "oracle", "plan", "judge", "rules", "session", "assess", "link",
    "rig",
]  # fmt: skip
MATRIX = {
    "core": [],
    "data": [],
    "definitions": ["core", "spec.model"],  # the binding needs the spec's channels and controls
    "spec": ["core"],
    "loads": ["core"],
    "oracle": ["core", "spec"],
    "plan": ["core", "spec", "oracle", "loads"],
    "judge": ["core", "loads"],
    "rules": ["core", "spec", "definitions", "oracle", "loads"],
    "session": ["core", "definitions"],
    "assess": ["core", "spec", "definitions", "oracle", "judge", "session", "loads"],
    "compare": ["core", "spec", "definitions", "session"],
    "link": ["core"],
    "rig": ["core"],
    "run": BENCH_SIDE,
    "twin": ["core.frame", "core.clock", "core.errors"],
    "lab": [*BENCH_SIDE, "run", "twin"],
    "report": ["core", "spec", "session", "assess", "compare"],
    "testing": ["core", "link", "rig"],
    "cli": EVERYTHING,
    "pytest_plugin": EVERYTHING,
    "evidence": EVERYTHING,
}

TIME_MODULES = {"time", "datetime", "sched"}
MAY_READ_TIME = {"core/clock.py"}
OUTSIDE_MODULES = {
    "threading", "queue", "multiprocessing", "subprocess", "socket", "select", "selectors", "signal",
    "asyncio", "concurrent", "serial", "can", "tty", "pty", "termios",
    "fcntl", "os", "tempfile", "shutil",
}  # fmt: skip
# rooms that think, and are told everything: no files, threads, devices
PURE = ["core", "loads", "oracle", "plan", "judge", "rules", "twin"]
MAY_REACH_OUT = {
    "link",
    "lab",
    "run",
    "session",
    "cli",
    "report",
    "evidence",
    "pytest_plugin",
    "rig",
    "testing",
}
READS_INPUT = {"spec", "definitions", "assess"}  # may open the files they are handed, nothing more


def imports_of(path):
    """(dotted name, line, may stand for a part of it) of every import; relative ones made absolute."""
    package = ("bench", *path.relative_to(BENCH).parent.parts)
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno, False) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                base = ".".join((*package[: len(package) - node.level + 1], *filter(None, [base])))
            yield base, node.lineno, True
            yield from ((f"{base}.{alias.name}", node.lineno, False) for alias in node.names)
        elif isinstance(node, ast.Call) and _is_dynamic(node):
            name = node.args[0].value if isinstance(node.args[0], ast.Constant) else "?"
            yield name, node.lineno, False


def _is_dynamic(node):
    name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    return name in ("import_module", "__import__") and bool(node.args)


def room_of(path):
    return path.relative_to(BENCH).parts[0].removesuffix(".py")


def modules():
    return sorted(path for path in BENCH.rglob("*.py") if path.parent != BENCH or path.name != "__init__.py")


def is_allowed(room, target):
    """`target` is what stands behind `bench.`: a room, or a module of one."""
    own = target.split(".")[0] == room
    allowed = MATRIX[room]
    return own or allowed == EVERYTHING or any(target == a or target.startswith(f"{a}.") for a in allowed)


def crossings(path):
    """Imports of `path` that the matrix forbids."""
    room = room_of(path)
    for name, line, is_parent in imports_of(path):
        if not name.startswith("bench."):
            if name == "?" and MATRIX[room] != EVERYTHING:
                yield f"{path.name}:{line}: an import whose name is computed"
            continue
        target = name.removeprefix("bench.")
        # `from bench.core import frame` names both core and core.frame: the longer one decides
        part = is_parent and any(a.startswith(f"{target}.") for a in MATRIX[room])
        if is_allowed(room, target) or part:
            continue
        yield f"{path.relative_to(BENCH.parent)}:{line}: {room} may not import {name}"


def test_every_room_of_the_package_stands_in_the_matrix():
    rooms = {path.name for path in BENCH.iterdir() if path.is_dir() and path.name != "__pycache__"}
    rooms |= {path.stem for path in BENCH.glob("*.py") if path.name != "__init__.py"}
    assert rooms <= set(MATRIX)


def test_no_module_crosses_the_matrix():
    assert [crossing for path in modules() for crossing in crossings(path)] == []


def test_only_the_clock_reads_the_time():
    guilty = [
        f"{path.relative_to(BENCH)}:{line}: {name}"
        for path in modules()
        for name, line, _ in imports_of(path)
        if name.split(".")[0] in TIME_MODULES and str(path.relative_to(BENCH)) not in MAY_READ_TIME
    ]
    assert guilty == []


def test_rooms_that_only_think_reach_for_no_file_thread_or_device():
    guilty = [
        f"{path.relative_to(BENCH)}:{line}: {name}"
        for path in modules()
        if room_of(path) not in MAY_REACH_OUT
        for name, line, _ in imports_of(path)
        if name.split(".")[0] in OUTSIDE_MODULES
    ]
    assert guilty == []


def uses_of_random(path):
    """Uses of the module `random` other than `random.Random(SEED)` and the type's name."""
    where = path.relative_to(BENCH)
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module == "random":
            yield f"{where}:{node.lineno}: from random import"
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "random.Random" and not node.args:
            yield f"{where}:{node.lineno}: random.Random without a seed"
        if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "random" and node.attr != "Random":
            yield f"{where}:{node.lineno}: random.{node.attr}"


def test_chance_is_always_seeded():
    assert [use for path in modules() for use in uses_of_random(path)] == []


def opened_files(path):
    """Calls that open, read or write a file."""
    names = {"open", "read_text", "read_bytes", "write_text", "write_bytes", "mkdir", "unlink"}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name in names:
                yield f"{path.relative_to(BENCH)}:{node.lineno}: {name}"


TABLES_READ_BY = {"twin/loader.py", "twin/faults.py"}  # the twin's own tables, shipped with it


def test_rooms_that_only_think_open_no_file():
    guilty = [
        call
        for path in modules()
        if room_of(path) in PURE and str(path.relative_to(BENCH)) not in TABLES_READ_BY
        for call in opened_files(path)
    ]
    assert guilty == []


@pytest.mark.parametrize(
    ("room", "target", "allowed"),
    [
        ("twin", "core.frame.Frame", True),
        ("twin", "core.signal", False),
        ("twin", "oracle", False),
        ("oracle", "twin", False),
        ("judge", "oracle", False),
        ("definitions", "spec.model.Spec", True),
        ("definitions", "spec.load", False),
        ("cli", "twin.faults", True),
    ],
)
def test_the_matrix_says_what_it_should(room, target, allowed):
    assert is_allowed(room, target) is allowed


def test_a_lazy_and_a_relative_import_are_found(tmp_path, monkeypatch):
    monkeypatch.setattr(f"{__name__}.BENCH", tmp_path / "bench")
    path = tmp_path / "bench" / "judge" / "x.py"
    path.parent.mkdir(parents=True)
    path.write_text("def f():\n    from ..oracle import step\n    import bench.twin\n")
    assert len(list(crossings(path))) == 3


def test_unseeded_chance_is_found(tmp_path, monkeypatch):
    monkeypatch.setattr(f"{__name__}.BENCH", tmp_path)
    path = tmp_path / "x.py"
    path.write_text("import random\na = random.Random()\nb = random.random()\nc = random.Random(4)\n")
    assert list(uses_of_random(path)) == ["x.py:2: random.Random without a seed", "x.py:3: random.random"]
