"""Recordings as Parquet: one row a frame, what is no frame in the file's metadata.

Columns: t_ns, can_id (without flags), extended, sent, bus, kind (data, remote, error, fd), data, dlc
(where it is not the number of data bytes) and fd_flags. Under the metadata key `hardstand` lie, as
JSON, the lines that could not be read, and the header and marks of a session folder.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from bench.core.errors import Complaint, UsageError
from bench.core.frame import RX, TX, Frame

from .columns import ARRAYS, EXTENDED, OTHER, REMOTE, Columns, empty, from_frames
from .convert import Stream
from .layouts import Lost
from .merge import joined
from .scan import Block

FORMAT = 1
KEY = b"hardstand"
KINDS = ("data", "remote", "error", "fd")
ROWS = 1 << 17  # of a row group


def _arrow() -> tuple[Any, Any]:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        advice = "pip install 'hardstand[stores]'"
        raise UsageError(Complaint("Parquet needs pyarrow", advice=advice)) from None
    return pyarrow, pyarrow.parquet


def write_parquet(path: Path, stream: Stream) -> None:
    """Raises: UsageError when pyarrow is missing; OSError."""
    pa, pq = _arrow()
    schema = _schema(pa, stream.timed)
    lost: list[list[Any]] = []
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for columns in _grouped(stream.blocks, lost):
            writer.write_batch(_batch(pa, schema, columns, timed=stream.timed), row_group_size=ROWS)
        facts = {
            "format": FORMAT, "timed": stream.timed, "lost": lost, "notes": stream.notes,
            "session": stream.facts, "marks": stream.marks,
        }  # fmt: skip
        writer.add_key_value_metadata({KEY: json.dumps(facts).encode("utf-8")})


def _schema(pa: Any, timed: bool) -> Any:  # noqa: ANN401 - pyarrow has no types
    names = pa.dictionary(pa.int32(), pa.string())
    return pa.schema(
        [
            pa.field("t_ns", pa.int64(), nullable=not timed),
            pa.field("can_id", pa.uint32(), nullable=False),
            pa.field("extended", pa.bool_(), nullable=False),
            pa.field("sent", pa.bool_(), nullable=False),
            pa.field("bus", names, nullable=False),
            pa.field("kind", names, nullable=False),
            pa.field("data", pa.binary(), nullable=False),
            pa.field("dlc", pa.uint8()),
            pa.field("fd_flags", pa.uint8()),
        ]
    )


def _grouped(blocks: Iterator[Block], lost: list[list[Any]]) -> Iterator[Columns]:
    """Chunks of about one row group; what was lost goes into `lost`, with its place among all frames."""
    held: list[Columns] = []
    for block in blocks:
        for row, line, what in block.lost:
            text = base64.b64encode(what.text).decode("ascii")
            lost.append([block.columns.first + row, line, text, *what[1:]])
        held.append(block.columns)
        if sum(map(len, held)) >= ROWS:
            yield joined(held)
            held = []
    if held:
        yield joined(held)


def _batch(pa: Any, schema: Any, c: Columns, *, timed: bool) -> Any:  # noqa: ANN401
    frames = list(c.frames()) if c.others else []
    names = list(c.buses)
    bus = c.bus.astype(np.int32)
    for row, frame in c.others.items():
        if frame.bus not in names:
            names.append(frame.bus)
        bus[row] = names.index(frame.bus)
    if c.others:
        data = pa.array([f.data for f in frames], pa.binary())
        dlc = pa.array([f.dlc for f in frames], pa.uint8())
        flags = pa.array([f.fd_flags for f in frames], pa.uint8())
    else:
        is_remote = c.kind == REMOTE
        sizes = np.where(is_remote, 0, c.length)
        ends = np.zeros(len(c) + 1, np.int32)
        np.cumsum(sizes, out=ends[1:])
        held = c.payload[np.arange(8) < sizes[:, None]]
        data = pa.Array.from_buffers(pa.binary(), len(c), [None, pa.py_buffer(ends), pa.py_buffer(held)])
        dlc = pa.array(c.length, pa.uint8(), mask=~is_remote | (c.length == 0))
        flags = pa.nulls(len(c), pa.uint8())
    arrays = [
        pa.array(c.t_ns) if timed else pa.nulls(len(c), pa.int64()),
        pa.array(c.can_id & np.uint32(0x1FFFFFFF)),
        pa.array(c.can_id >= np.uint32(EXTENDED)),
        pa.array(c.sent),
        pa.DictionaryArray.from_arrays(pa.array(bus), pa.array(names or [""])),
        pa.DictionaryArray.from_arrays(pa.array(c.kind.astype(np.int32)), pa.array(KINDS)),
        data,
        dlc,
        flags,
    ]
    return pa.record_batch(arrays, schema=schema)


def read_parquet(path: Path) -> Stream:
    """Raises: UsageError when pyarrow is missing or the file is none of ours."""
    pa, pq = _arrow()
    try:
        file = pq.ParquetFile(path)
    except (pa.ArrowException, OSError) as e:
        raise UsageError(Complaint(f"not a Parquet file: {e}", str(path))) from e
    try:
        facts = json.loads((file.schema_arrow.metadata or file.metadata.metadata or {})[KEY])
    except (KeyError, ValueError):
        facts = _key(file)
    if not isinstance(facts, dict) or facts.get("format") != FORMAT:
        text = "a Parquet file, but no recording that `hardstand convert` of this version wrote"
        raise UsageError(Complaint(text, str(path)))
    return Stream(
        _blocks(file, facts), facts["timed"], list(facts["notes"]), facts["session"], facts["marks"]
    )


def _key(file: Any) -> object:  # noqa: ANN401
    try:
        return json.loads((file.metadata.metadata or {}).get(KEY, b"null"))
    except ValueError:
        return None


def _blocks(file: Any, facts: dict[str, Any]) -> Iterator[Block]:  # noqa: ANN401
    lost = [
        (first, line, Lost(base64.b64decode(text), reason, where, count))
        for first, line, text, reason, where, count in facts["lost"]
    ]
    buses: tuple[str, ...] = ()
    first = 0
    for batch in file.iter_batches(batch_size=ROWS):
        columns = _columns(batch, buses, first, timed=facts["timed"])
        buses, end = columns.buses, first + len(columns)
        here = [(at - first, line, what) for at, line, what in lost if first <= at < end]
        yield Block(columns, here)
        first = end
    rest = [(0, line, what) for at, line, what in lost if at >= first]
    if rest:
        yield Block(empty(buses, first), rest)


def _columns(batch: Any, buses: tuple[str, ...], first: int, *, timed: bool) -> Columns:  # noqa: ANN401
    got = {name: batch.column(name) for name in batch.schema.names}
    kinds = got["kind"].cast("string")
    is_plain = kinds.unique().to_pylist() == ["data"] and got["dlc"].null_count == len(batch)
    names = got["bus"].cast("string").dictionary_encode()
    known = [*buses, *[n for n in names.dictionary.to_pylist() if n not in buses]]
    if not is_plain or len(known) > 250:
        return from_frames(_frames(got, timed=timed), buses, first)
    data = got["data"]
    _, offsets, held = data.buffers()
    ends = np.frombuffer(offsets, np.int32)[data.offset : data.offset + len(data) + 1]
    sizes = np.diff(ends)
    payload = np.zeros((len(batch), 8), np.uint8)
    bytes_of = np.frombuffer(held, np.uint8) if held is not None else np.zeros(0, np.uint8)
    payload[np.arange(8) < sizes[:, None]] = bytes_of[ends[0] : ends[-1]]
    index = np.array([known.index(n) for n in names.dictionary.to_pylist()], np.uint8)
    ids = got["can_id"].to_numpy()
    extended = got["extended"].to_numpy(zero_copy_only=False)
    made: dict[str, Any] = dict(
        zip(
            ARRAYS,
            (
                got["t_ns"].to_numpy() if timed else np.zeros(len(batch), np.int64),
                ids | np.where(extended, np.uint32(EXTENDED), np.uint32(0)),
                sizes.astype(np.uint8),
                payload,
                got["sent"].to_numpy(zero_copy_only=False),
                np.zeros(len(batch), np.uint8),
                index[names.indices.to_numpy()],
            ),
            strict=True,
        )
    )
    return Columns(**made, buses=tuple(known), first=first)


def _frames(got: dict[str, Any], *, timed: bool) -> list[Frame]:
    rows = zip(*(got[name].to_pylist() for name in got), strict=True)
    frames = []
    for row in rows:
        r = dict(zip(got, row, strict=True))
        frames.append(
            Frame(
                r["t_ns"] if timed else 0,
                r["can_id"],
                r["data"],
                r["extended"],
                TX if r["sent"] else RX,
                r["bus"],
                remote=r["kind"] == KINDS[REMOTE],
                error=r["kind"] == "error",
                fd_flags=r["fd_flags"] if r["kind"] == KINDS[OTHER] else None,
                dlc=r["dlc"],
            )
        )
    return frames
