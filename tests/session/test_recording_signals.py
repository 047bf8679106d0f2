"""A recording as pandas tables."""

import math
import re
from pathlib import Path

import pytest

import bench.session
from bench.core.frame import Frame
from bench.definitions import load_definitions
from bench.session import format_frame
from bench.spec import load_spec

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "recordings" / "healthy-short"


@pytest.fixture(scope="module")
def definitions():
    return load_definitions(load_spec(FOLDER / "spec.yaml").spec, FOLDER)


def one_by_one(definitions, path):
    """(t_ns, signal, value) of every sample, decoded frame by frame."""
    definitions.forget()
    for entry in bench.session.open(path).entries():
        if isinstance(entry, Frame) and (reading := definitions.decode(entry)) is not None:
            for o in reading.observations:
                yield entry.t_ns, o.signal, math.nan if o.value is None else o.value


def test_the_tables_hold_what_decoding_frame_by_frame_gives(definitions):
    signals = bench.session.open(FOLDER).signals(definitions)
    samples = list(one_by_one(definitions, FOLDER))
    for table, kind, value in (
        (signals.levels, "level", "level_pct"),
        (signals.currents, "current", "current_a"),
    ):
        expected = [(t, s.partition(":")[2], v) for t, s, v in samples if s.startswith(kind + ":")]
        found = list(zip(table["t_ns"], table["circuit"], table[value], strict=True))
        assert sorted(found) == sorted(expected)
        assert len(found) > 1000
    last, edges = {}, []
    for t_ns, signal, value in samples:
        if signal.split(":")[0] in ("state", "lamp", "fault", "sensor"):
            if signal in last and last[signal][1] != value:
                edges.append((t_ns, *signal.split(":", 1), last[signal][1], value))
            last[signal] = t_ns, value
    table = signals.edges
    found = list(zip(*(table[n] for n in ("t_ns", "kind", "name", "was", "now")), strict=True))
    assert sorted(found) == sorted(edges)
    assert len(found) > 20
    assert not table["lost"].any()
    assert (table["last_s"] < table["time_s"]).all()
    assert table["t_ns"].is_monotonic_increasing


def test_an_edge_beyond_a_loss_says_so(definitions, tmp_path):
    frames = [e for e in bench.session.open(FOLDER).entries() if isinstance(e, Frame)]
    edges = bench.session.open(FOLDER).signals(definitions).edges
    edge = edges[edges["kind"] == "state"].iloc[3]
    at = next(n for n, f in enumerate(frames) if f.t_ns == edge["t_ns"])
    lines = [format_frame(f) for f in frames]
    (tmp_path / "x.log").write_text("".join([*lines[:at], "rubbish\n", *lines[at:]]), encoding="ascii")
    table = bench.session.open(tmp_path / "x.log").signals(definitions).edges
    same = table[
        (table["t_ns"] == edge["t_ns"]) & (table["name"] == edge["name"]) & (table["kind"] == "state")
    ]
    assert same["lost"].tolist() == [True]
    early = table[table["t_ns"] < edge["t_ns"]]
    assert not early["lost"].any()


def test_a_recording_of_foreign_frames_gives_empty_tables(definitions, tmp_path):
    (tmp_path / "x.log").write_bytes(b"(1.000000) can0 123#01\n")
    edges, levels, currents = bench.session.open(tmp_path / "x.log").signals(definitions)
    assert (len(edges), len(levels), len(currents)) == (0, 0, 0)
    assert list(levels.columns) == ["t_ns", "time_s", "circuit", "level_pct"]


def test_the_example_in_the_docs_prints_what_they_say(capsys, monkeypatch):
    text = (ROOT / "docs" / "signals.md").read_text(encoding="utf-8")
    code, output = re.search(r"```python\n(.*?)```.*?```text\n(.*?)```", text, re.DOTALL).groups()
    monkeypatch.chdir(ROOT)
    exec(code, {})
    assert capsys.readouterr().out == output
