"""How fast recordings are read and written, side by side with general-purpose libraries in one run."""

from __future__ import annotations

import gc
import os
import random
import tempfile
import warnings
from collections.abc import Callable, Iterable
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from bench.assess import assess_session
from bench.cli.loading import Boat, load_boat
from bench.core.clock import cpu_ns
from bench.core.frame import Frame
from bench.core.model import Model
from bench.core.verdict import INCONCLUSIVE, PASS
from bench.evidence.boat_log import write_log
from bench.evidence.page import Page, Table
from bench.oracle import Oracle
from bench.session import format_frame, open_session
from bench.session.cache import VARIABLE
from bench.session.columns import DATA
from bench.session.convert import convert
from bench.session.signals import ROWS
from bench.session.writing import text_of

SIZES = (200_000, 2_000_000)
SAMPLE = Path(__file__).resolve().parents[2] / "recordings" / "healthy-full" / "frames.log"
DBC = Path(__file__).resolve().parents[2] / "dbc" / "switchbox.dbc"
REPEATS = 3
AIMS = {"read": 25.0, "dirty": 1 / 3, "again": 100.0, "write": 6.0, "signals": 30.0, "verdict": 30.0}
VERDICTS_AIM = 3e6  # frames a second to a verdict
DIRTY = (
    b"(1436509052.249713) can0 18FF2021#010 R\n",
    b"(1436509052.249713) can0 123##1AABBCC R\n",
    b"(1436509052.249713) can0 123#R4 R\n",
    b"(1436509052.24\n",
)


def make_recording(path: Path, frames: int, seed: int = 1, *, dirty_share: float = 0.0) -> None:
    """The shipped session's traffic again and again with rising stamps; some lines replaced by others."""
    chance = random.Random(seed)
    once = [e for e in open_session(SAMPLE).entries() if isinstance(e, Frame)]
    length_ns = once[-1].t_ns - once[0].t_ns + 20_000_000
    with path.open("wb") as file:
        for start in range(0, frames, len(once)):
            shift_ns = length_ns * (start // len(once))
            lines = [
                format_frame(f._replace(t_ns=f.t_ns + shift_ns)).encode() for f in once[: frames - start]
            ]
            for n in range(len(lines)):
                if chance.random() < dirty_share:
                    lines[n] = chance.choice(DIRTY)
            file.write(b"".join(lines))


@contextmanager
def caches(folder: str) -> Any:  # noqa: ANN401 - a context manager
    """Caches lie in `folder`, or are off."""
    before = os.environ.get(VARIABLE)
    os.environ[VARIABLE] = folder
    try:
        yield
    finally:
        del os.environ[VARIABLE]
        if before is not None:
            os.environ[VARIABLE] = before


def cost_s(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """CPU seconds of the quickest of several times: other work on the machine is not ours."""
    took = []
    for _ in range(repeats):
        gc.collect()
        start_ns = cpu_ns()
        work()
        took.append(cpu_ns() - start_ns)
    return max(min(took), 1) / 1e9


def read_here(path: Path) -> int:
    """Frames, read as columns."""
    return sum(len(chunk) for chunk in open_session(path).chunks())


def read_entries(path: Path) -> int:
    """Frames, read one by one."""
    return sum(isinstance(e, Frame) for e in open_session(path).entries())


def read_can(path: Path) -> int:
    """Frames, read by python-can."""
    import can

    return sum(1 for _ in can.CanutilsLogReader(path))


def signals_here(path: Path, boat: Boat) -> int:
    """Values of all signals."""
    from bench.definitions.bulk import decode_bulk

    values = 0
    for chunk in open_session(path).chunks(rows=ROWS):
        if (chunk.kind != DATA).any():
            chunk = chunk.rows(np.flatnonzero(chunk.kind == DATA))
        got = decode_bulk(boat.definitions, chunk.can_id, chunk.payload, chunk.length)
        values += sum(column.rows.size for column in got.columns.values())
    return values


def known_to_cantools(dbc: Path) -> dict[int, Any]:
    """Decoders by identifier without source address."""
    import cantools

    database: Any = cantools.database.load_file(dbc)
    return {m.frame_id >> 8: m.decode for m in database.messages}


def signals_can(path: Path, known: dict[int, Any]) -> int:
    """Values of all signals, by python-can and cantools."""
    import can

    values = 0
    for message in can.CanutilsLogReader(path):
        decode = known.get(message.arbitration_id >> 8)
        if decode is not None:
            values += len(decode(message.data, decode_choices=False))
    return values


def write_here(chunks: Iterable[Any], path: Path) -> None:
    """Columns to text."""
    with path.open("wb") as file:
        for chunk in chunks:
            file.write(text_of(chunk))


def write_can(messages: Iterable[Any], path: Path) -> None:
    """Messages to text, by python-can."""
    import can

    writer = can.CanutilsLogWriter(path)
    for message in messages:
        writer.on_message_received(message)
    writer.stop()


def read_polars(path: Path) -> int:
    """The lines in polars, cut into columns; nothing is checked."""
    import polars

    line = polars.col("line")
    frame = polars.read_csv(path, has_header=False, new_columns=["line"], separator="\x01", quote_char=None)
    made = frame.select(
        line.str.slice(1, 17).cast(polars.Float64).alias("t_s"),
        line.str.extract(r" ([0-9A-F]+)#").str.to_integer(base=16).alias("id"),
        line.str.extract(r"#([0-9A-F]*)").str.decode("hex").alias("data"),
    )
    return len(made)


def compare(frames: int, folder: Path) -> tuple[list[list[object]], dict[str, float]]:
    """One table's rows and the ratios that have an aim."""
    import can

    boat = load_boat("demo")
    path, dirty, out = folder / "plain.log", folder / "dirty.log", folder / "out.log"
    make_recording(path, frames)
    make_recording(dirty, frames, dirty_share=0.01)
    few = 1 if frames > 500_000 else REPEATS
    rows: list[list[object]] = []

    def row(what: str, seconds: float, against: float | None = None, aim: float | None = None) -> float:
        ratio = against / seconds if against else 1.0
        cells = [f"{ratio:.1f}" if against else "", f"{aim:.3g}" if aim else ""]
        rows.append([what, f"{seconds:.3f} s", f"{frames / seconds / 1e6:.2f} M", *cells])
        return ratio

    ratios = {}
    with caches("off"):
        assert read_here(path) == read_can(path) == frames
        read = cost_s(lambda: read_can(path), few)
        row("read: python-can", read)
        here = cost_s(lambda: read_here(path))
        ratios["read"] = row("read: columns", here, read, AIMS["read"])
        row("read: frame by frame", cost_s(lambda: read_entries(path), few), read)
        dirty_s = cost_s(lambda: read_here(dirty))
        row("read: columns, 1 % dirty lines (ratio to columns)", dirty_s, here, AIMS["dirty"])
        ratios["dirty"] = here / dirty_s
        if _has("polars"):
            row("read: polars, unchecked", cost_s(lambda: read_polars(path)), read)
    with caches(str(folder / "cache")):
        row("read: columns, first opening, leaves a cache", cost_s(lambda: read_here(path), 1), read)
        again = cost_s(lambda: read_here(path))
        ratios["again"] = row("read: columns, second opening", again, read, AIMS["again"])
    with caches("off"):
        known = known_to_cantools(DBC)
        both = cost_s(lambda: signals_can(path, known), few)
        row("to all signals: python-can + cantools", both)
        if _has("asammdf"):
            convert(path, folder / "plain.mf4")
            row(
                "to all signals: asammdf, from MDF 4",
                cost_s(lambda: signals_mdf(folder / "plain.mf4", DBC), few),
                both,
            )
        signals = cost_s(lambda: signals_here(path, boat))
        ratios["signals"] = row("to all signals: columns", signals, both, AIMS["signals"])
        some = list(can.CanutilsLogReader(path))[:200_000]
        written = cost_s(lambda: write_can(some, out)) * frames / len(some)
        row("write: python-can", written)
        chunks = list(open_session(path).chunks())
        ratios["write"] = row(
            "write: columns", cost_s(lambda: write_here(chunks, out)), written, AIMS["write"]
        )
        assert out.read_bytes() == path.read_bytes()
    ratios["verdict"], ratios["verdicts a second"] = verdicts(frames, folder, boat, row, few)
    return rows, ratios


def verdict_here(path: Path, boat: Boat, model: Model) -> int:
    """Values judged on the way to a verdict, which must be no failure. Spec, messages and model are loaded
    beforehand, as those of the libraries are."""
    boat.definitions.forget()
    verdict = assess_session(open_session(path), boat.spec, boat.definitions, model)
    assert verdict.outcome in (PASS, INCONCLUSIVE), verdict.outcome
    return verdict.judged_samples


def signals_mdf(path: Path, dbc: Path) -> int:
    """Values of all signals, by asammdf from bus logging in MDF 4."""
    import asammdf

    mdf: Any = asammdf.MDF(path)
    found: Any = mdf.extract_bus_logging({"CAN": [(str(dbc), 0)]})
    return sum(g.channel_group.cycles_nr * (len(g.channels) - 1) for g in found.groups)


def verdicts(
    frames: int, folder: Path, boat: Boat, row: Callable[..., float], few: int
) -> tuple[float, float]:
    """Rows on judging. Gives back the ratio to the libraries, and frames a second the second time."""
    log, dense = folder / "boat.log", folder / "plain.log"
    presses = write_log(log, boat, frames)
    known, model = known_to_cantools(DBC), Oracle(boat.spec)
    with caches("off"):
        loop = cost_s(lambda: signals_can(log, known), few)
        row(f"a boat in use, {presses} presses: to all signals by python-can + cantools", loop)
        here = cost_s(lambda: verdict_here(log, boat, model))
        ratio = row("a boat in use: to a verdict", here, loop, AIMS["verdict"])
        row(
            "the bench's own regression over and over: to a verdict",
            cost_s(lambda: verdict_here(dense, boat, model), 1),
            loop,
        )
    with caches(str(folder / "cache")):
        verdict_here(log, boat, model)
        again = cost_s(lambda: verdict_here(log, boat, model))
        row("a boat in use: to a verdict, second opening", again, loop)
    return ratio, frames / again


def _has(name: str) -> bool:
    import importlib.util

    return importlib.util.find_spec(name) is not None


def study(sample: float = 1.0) -> Page:
    """Measures both sizes; the aims must hold at each."""
    tables: list[Table] = []
    missed: list[str] = []
    rate = 0.0
    header = ("what", "CPU time", "frames/s", "ratio", "aim")
    for size in SIZES:
        frames = max(20_000, round(size * sample))
        with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            rows, ratios = compare(frames, Path(folder))
        tables.append(Table(header, rows, f"{frames} frames."))
        missed += [
            f"{name} {ratio:.2f} of {AIMS[name]:.3g} at {frames} frames"
            for name, ratio in ratios.items()
            if name in AIMS and ratio < AIMS[name]
        ]
        rate = ratios["verdicts a second"]
    if rate < VERDICTS_AIM:
        missed.append(f"{rate / 1e6:.2f} M frames a second to a verdict, of {VERDICTS_AIM / 1e6:.0f} M")
    about = (
        "Recordings made from the shipped healthy session, repeated. CPU time of one core, the quickest of "
        f"{REPEATS} (of 1 for the libraries at the larger size), all in one run. Ratios are to the "
        "library doing the same. python-can + cantools decode control frames too, ours leave them out. "
        "A boat in use: a key now and then, cyclic frames otherwise; its verdict is compared with decoding "
        "by the libraries. The bench's own regression is the other extreme: something is new in every tenth "
        "of a second."
    )
    summary = "every ratio reaches its aim" if not missed else "missed: " + "; ".join(missed)
    return Page(
        "reading", "Speed of reading and writing recordings", about, not missed, summary, tuple(tables)
    )
