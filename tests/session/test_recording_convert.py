"""Recordings in other formats and back."""

import gzip
import json
import os
import random
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_candump_text import frames
from test_session_recorder import SOME, record

from bench.cli import main
from bench.core.errors import UsageError
from bench.core.frame import Frame
from bench.evidence.mutations import by_line, mutated, random_recording
from bench.session import format_frame, open_session
from bench.session.convert import convert

ROOT = Path(__file__).resolve().parents[2]
ROUND = settings(max_examples=25, deadline=None, derandomize=True)
LINE = b"(1436509052.249713) can0 18FF2021#0102030405060708 R\n"


def needs(module, extra):
    return pytest.importorskip(module, reason=f"the extra '{extra}' is not installed")


def entries_of(path):
    found, walk = by_line(path)
    return found, [(b.line, b.reason) for b in walk.bad]


@ROUND
@given(st.lists(frames(), min_size=1, max_size=25))
def test_through_parquet_and_back_every_frame_is_the_same(tmp_path_factory, some):
    needs("pyarrow", "stores")
    folder = tmp_path_factory.mktemp("p")
    (folder / "a.log").write_text("".join(map(format_frame, some)), encoding="ascii")
    assert convert(folder / "a.log", folder / "b.parquet") == (len(some), 0, ())
    convert(folder / "b.parquet", folder / "c.log")
    assert (folder / "c.log").read_bytes() == (folder / "a.log").read_bytes()


@pytest.mark.slow
@pytest.mark.parametrize("way", ["text", "packed", "parquet"])
def test_what_could_not_be_read_goes_along_and_says_the_same_again(tmp_path, way):
    if way == "parquet":
        needs("pyarrow", "stores")
    chance = random.Random(7)
    for n in range(60):
        a, b, c = tmp_path / f"{n}.log", tmp_path / f"{n}b.log", tmp_path / f"{n}.parquet"
        text = LINE + mutated(chance, random_recording(chance, 12)) + b"\n"
        text += b"DROPCOUNT: dropped 2 CAN frames on 'can0' socket (total drops 2)\n" + LINE
        a.write_bytes(text)
        if way == "text":
            convert(a, b)
        elif way == "packed":
            convert(a, tmp_path / f"{n}b.log.gz")
            b.write_bytes(gzip.decompress((tmp_path / f"{n}b.log.gz").read_bytes()))
        else:
            convert(a, c)
            convert(c, b)
        (found, bad), (again, bad_again) = entries_of(a), entries_of(b)
        named = [str(e).replace(f"{n}b.log", f"{n}.log").split("from line")[0] for e in again]
        assert named == [str(e).split("from line")[0] for e in found]
        assert len(bad_again) == len(bad)


def test_nanoseconds_survive_every_way(tmp_path):
    needs("pyarrow", "stores")
    (tmp_path / "a.log").write_bytes(b"(0000000001.000000001) can0 123# R\n(0000000001.000002) can0 123# R\n")
    convert(tmp_path / "a.log", tmp_path / "b.parquet")
    convert(tmp_path / "b.parquet", tmp_path / "c.log")
    assert (tmp_path / "c.log").read_bytes() == (tmp_path / "a.log").read_bytes()


def test_a_parquet_file_opens_in_other_programs_one_row_a_frame(tmp_path):
    """Read by pyarrow itself, as any other program would."""
    pq = needs("pyarrow.parquet", "stores")
    record(tmp_path / "s", SOME)
    assert convert(tmp_path / "s", tmp_path / "x.parquet") == (3, 0, ())
    table = pq.read_table(tmp_path / "x.parquet")
    assert table.column_names == list(table.to_pylist()[0])
    assert " ".join(table.column_names) == "t_ns can_id extended sent bus kind data dlc fd_flags"
    assert table.to_pylist()[1] == {
        "t_ns": 5000, "can_id": 0x18FF1041, "extended": True, "sent": True, "bus": "can0", "kind": "data",
        "data": b"\x01\x01\x00", "dlc": None, "fd_flags": None,
    }  # fmt: skip
    facts = json.loads(pq.ParquetFile(tmp_path / "x.parquet").metadata.metadata[b"hardstand"])
    assert facts["marks"] == (tmp_path / "s" / "marks.jsonl").read_text(encoding="utf-8")
    assert facts["session"]["format"] == 1


def test_a_recording_without_stamps_fits_into_parquet_and_not_into_text(tmp_path):
    pq = needs("pyarrow.parquet", "stores")
    (tmp_path / "a.log").write_bytes(b"  can0  123   [1]  00\n")
    convert(tmp_path / "a.log", tmp_path / "b.parquet")
    assert pq.read_table(tmp_path / "b.parquet").column("t_ns").to_pylist() == [None]
    for source in ("a.log", "b.parquet"):
        with pytest.raises(UsageError, match="candump text needs stamps"):
            convert(tmp_path / source, tmp_path / "c.log")
    assert not (tmp_path / "c.log").exists()


def test_the_bracketed_layout_becomes_the_log_layout(tmp_path):
    (tmp_path / "a.txt").write_bytes(
        b" (1436509052.249713)  can0  044   [5]  2A 36 6C 2B BA\n (1436509052.3)  x\n"
    )
    assert convert(tmp_path / "a.txt", tmp_path / "b.log") == (1, 1, ())
    assert (tmp_path / "b.log").read_bytes() == (
        b"(1436509052.249713) can0 044#2A366C2BBA R\n (1436509052.3)  x\n"
    )


def test_the_target_is_never_overwritten_and_a_failure_leaves_nothing(tmp_path):
    (tmp_path / "a.log").write_bytes(LINE)
    (tmp_path / "b.log").write_bytes(b"mine")
    with pytest.raises(UsageError, match="the target exists already - a recording is never overwritten"):
        convert(tmp_path / "a.log", tmp_path / "b.log")
    assert (tmp_path / "b.log").read_bytes() == b"mine"
    with pytest.raises(
        UsageError, match=r"no format is known by the suffix '.doc' - expected .log, .candump"
    ):
        convert(tmp_path / "a.log", tmp_path / "b.doc")
    with pytest.raises(UsageError, match="no such recording"):
        convert(tmp_path / "nothing.log", tmp_path / "c.log")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.log", "b.log"]


@pytest.mark.parametrize(
    ("module", "target", "text"),
    [
        ("pyarrow", "x.parquet", "Parquet needs pyarrow - pip install 'hardstand[stores]'"),
        ("asammdf", "x.mf4", "MDF needs asammdf - pip install 'hardstand[mdf]'"),
    ],
)
def test_a_missing_extra_is_one_message_with_what_to_install(tmp_path, monkeypatch, module, target, text):
    monkeypatch.setitem(__import__("sys").modules, module, None)
    (tmp_path / "a.log").write_bytes(LINE)
    with pytest.raises(UsageError) as caught:
        convert(tmp_path / "a.log", tmp_path / target)
    assert text in str(caught.value)
    assert str(caught.value).count("\n") == 0


def test_a_parquet_file_of_another_program_is_refused(tmp_path):
    pq = needs("pyarrow.parquet", "stores")
    import pyarrow

    pq.write_table(pyarrow.table({"a": [1]}), tmp_path / "a.parquet")
    with pytest.raises(UsageError, match="no recording that `hardstand convert` of this version wrote"):
        convert(tmp_path / "a.parquet", tmp_path / "b.log")
    (tmp_path / "c.parquet").write_bytes(b"PAR1")
    with pytest.raises(UsageError, match="not a Parquet file"):
        convert(tmp_path / "c.parquet", tmp_path / "b.log")


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".db"])
def test_what_python_can_wrote_comes_in_through_it_with_a_note(tmp_path, suffix):
    """Source: the files are python-can's own."""
    some = [
        can.Message(timestamp=1000.0 + n / 8, arbitration_id=0x18FF2021, data=[n], channel=0)
        for n in range(5)
    ]
    with can.Logger(tmp_path / f"a{suffix}") as logger:
        for message in some:
            logger.on_message_received(message)
    done = convert(tmp_path / f"a{suffix}", tmp_path / "b.log")
    assert done.frames == 5
    assert "read through python-can: stamps came as floating-point seconds" in done.left_out[0]
    found = [e for e in open_session(tmp_path / "b.log").entries() if isinstance(e, Frame)]
    assert [(f.can_id, f.data) for f in found] == [(0x18FF2021, bytes([n])) for n in range(5)]
    assert {b.t_ns - a.t_ns for a, b in pairwise(found)} == {125_000_000}


@pytest.mark.parametrize("suffix", [".asc", ".csv", ".trc"])
def test_an_empty_file_with_a_foreign_suffix_makes_no_recording(suffix, tmp_path):
    (tmp_path / f"a{suffix}").write_bytes(b"")
    with pytest.raises(UsageError, match="the recording is empty: it holds no frame"):
        convert(tmp_path / f"a{suffix}", tmp_path / "b.log")
    assert not (tmp_path / "b.log").exists()


def test_rubbish_with_a_foreign_suffix_is_one_message(tmp_path):
    (tmp_path / "a.blf").write_bytes(b"rubbish" * 100)
    with pytest.raises(UsageError, match="python-can"):
        convert(tmp_path / "a.blf", tmp_path / "b.log")


class TestMdf:
    @pytest.fixture(autouse=True)
    def installed(self):
        needs("asammdf", "mdf")

    def some(self):
        return [
            Frame(1_436_509_052_249_713_000, 0x123, b"\x01\x02", False, "R", "can0"),
            Frame(1_436_509_052_249_714_001, 0x18FF2021, bytes(range(8)), True, "T", "vcan7"),
            Frame(1_436_509_053_000_000_000, 5, b"", True, "R", "can0", remote=True, dlc=3),
            Frame(1_436_509_054_000_000_000, 4, bytes(8), True, "R", "can0", error=True),
            Frame(1_436_509_055_000_000_000, 9, bytes(range(12)), True, "R", "can0", fd_flags=1),
            Frame(1_436_509_056_000_000_000, 9, bytes(8), True, "R", "can0", dlc=14),
        ]

    def write(self, tmp_path, frames):
        from bench.session.writing import format_line

        (tmp_path / "a.log").write_text("".join(map(format_line, frames)), encoding="ascii")
        return convert(tmp_path / "a.log", tmp_path / "b.mf4")

    def test_through_mdf_and_back_every_frame_is_the_same(self, tmp_path):
        assert self.write(tmp_path, self.some()) == (6, 0, ())
        convert(tmp_path / "b.mf4", tmp_path / "c.log")
        assert (tmp_path / "c.log").read_bytes() == (tmp_path / "a.log").read_bytes()

    def test_python_can_reads_the_same_from_it(self, tmp_path):
        """Source: python-can's reader of ASAM MDF bus logging (can/io/mf4.py), on plain frames."""
        self.write(tmp_path, self.some()[:3])
        with can.LogReader(tmp_path / "b.mf4") as reader:
            found = list(reader)
        assert [(m.arbitration_id, bytes(m.data), m.is_rx, m.dlc) for m in found] == [
            (0x123, b"\x01\x02", True, 2),
            (0x18FF2021, bytes(range(8)), False, 8),
            (5, b"", True, 3),
        ]

    def test_asammdf_takes_it_for_can_bus_logging(self, tmp_path):
        """Source: asammdf's own search for bus logging."""
        from asammdf import MDF

        self.write(tmp_path, self.some())
        mdf = MDF(tmp_path / "b.mf4")
        assert mdf.get("CAN_DataFrame.ID").samples.tolist() == [0x123, 0x18FF2021, 9, 9]
        assert mdf.bus_logging_map.get("CAN")
        mdf.close()

    def test_what_mdf_cannot_hold_is_said(self, tmp_path):
        frame = self.some()[4]._replace(fd_flags=9)
        done = self.write(tmp_path, [frame])
        assert done.left_out == ("MDF holds the FD flags for bit rate and error state only",)

    def test_one_that_was_cut_is_one_message(self, tmp_path):
        self.write(tmp_path, self.some())
        whole = (tmp_path / "b.mf4").read_bytes()
        (tmp_path / "cut.mf4").write_bytes(whole[: len(whole) // 2])
        words = [sys.executable, "-m", "bench.cli", "convert", "cut.mf4", "d.log"]
        done = subprocess.run(
            words, cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True
        )
        assert done.returncode == 2
        assert done.stderr.startswith("hardstand: cut.mf4: error: not an MDF file: ")
        assert done.stderr.count("\n") == 1

    def test_stamps_that_step_back_are_refused(self, tmp_path):
        with pytest.raises(UsageError, match="MDF needs rising stamps"):
            self.write(tmp_path, self.some()[1::-1])


def test_the_command_says_what_it_did_and_what_it_left_out(tmp_path, capsys):
    record(tmp_path / "s", SOME)
    assert main(["convert", str(tmp_path / "s"), str(tmp_path / "x.log")]) == 3
    out = capsys.readouterr()
    assert out.out == f"3 frames, 0 unreadable lines: {tmp_path / 'x.log'}\n"
    assert "warning: the marks of the session (marks.jsonl) do not fit into candump text" in out.err
    assert main(["convert", str(tmp_path / "x.log"), str(tmp_path / "y.log"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {
        "status": 0, "frames": 3, "unreadable_lines": 0, "left_out": [], "written": str(tmp_path / "y.log"),
    }  # fmt: skip
