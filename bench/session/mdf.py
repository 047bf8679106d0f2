"""Recordings as ASAM MDF 4 bus logging, written and read with asammdf.

One channel group each for data, error and remote frames, as ASAM MDF Bus Logging names them. MDF has no
place for bus names (they go into the header's comment) and keeps no order between the groups at equal
stamps.
"""

from __future__ import annotations

import gc
import html
import json
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from bench.core.errors import Complaint, UsageError
from bench.core.frame import RX, TX, Frame

from .columns import DATA, ERROR, EXTENDED, OTHER, REMOTE, Columns, from_frames
from .convert import Stream
from .scan import Block

ROWS = 1 << 16
SECOND = 1_000_000_000
_OFFSETS_VALID = 2  # ASAM MDF 4, header block: abs_time is UTC, and the offsets are given
DATA_GROUP, ERROR_GROUP, REMOTE_GROUP = "CAN_DataFrame", "CAN_ErrorFrame", "CAN_RemoteFrame"
GROUPS = (DATA_GROUP, ERROR_GROUP, REMOTE_GROUP)
_CODES = {size: code for code, size in enumerate((*range(9), 12, 16, 20, 24, 32, 48, 64))}


def _asammdf() -> Any:  # noqa: ANN401 - asammdf is optional
    try:
        import asammdf
    except ImportError:
        advice = "pip install 'hardstand[mdf]'"
        raise UsageError(Complaint("MDF needs asammdf", advice=advice)) from None
    return asammdf


def _type(group: str) -> np.dtype[Any]:
    fields: list[Any] = [
        ("BusChannel", "<u1"), ("ID", "<u4"), ("IDE", "<u1"), ("DLC", "<u1"), ("DataLength", "<u1"),
        ("Dir", "<u1"),
    ]  # fmt: skip
    if group != REMOTE_GROUP:
        fields += [("DataBytes", "u1", (64,)), ("EDL", "<u1"), ("BRS", "<u1"), ("ESI", "<u1")]
    return np.dtype([(f"{group}.{name}", *rest) for name, *rest in fields])


def write_mdf(path: Path, stream: Stream) -> None:
    """Raises: UsageError when asammdf is missing, there are no stamps, or stamps step back."""
    asammdf = _asammdf()
    if not stream.timed:
        raise UsageError(Complaint("MDF needs stamps, and this recording has none"))
    mdf = asammdf.MDF(version="4.10")
    start_ns = last_ns = None
    buses: tuple[str, ...] = ()
    lost = 0
    begun: dict[str, int] = {}
    for block in stream.blocks:
        c, buses = block.columns, block.columns.buses
        lost += len(block.lost)
        if not len(c):
            continue
        start_ns = int(c.t_ns[0]) // SECOND * SECOND if start_ns is None else start_ns
        last_ns = int(c.t_ns[0]) if last_ns is None else last_ns
        if int(c.t_ns[0]) < last_ns or (c.t_ns[1:] < c.t_ns[:-1]).any():
            advice = "its stamps step back; text and Parquet hold it as it is"
            raise UsageError(Complaint("MDF needs rising stamps", advice=advice))
        last_ns = int(c.t_ns[-1])
        _add(asammdf, mdf, begun, c, start_ns, stream.notes)
    mdf.header.abs_time = start_ns or 0
    mdf.header.time_flags = _OFFSETS_VALID
    mdf.header.tz_offset = mdf.header.daylight_save_time = 0
    mdf.header.comment = json.dumps({"hardstand": 1, "start_ns": start_ns or 0, "buses": buses})
    if lost:
        stream.notes.append(f"{lost} places where frames are missing cannot be marked in MDF")
    if stream.marks:
        stream.notes.append("the marks of the session (marks.jsonl) do not fit into MDF")
    mdf.save(path, overwrite=True, compression=1)
    mdf.close()


def _add(
    asammdf: Any,  # noqa: ANN401
    mdf: Any,  # noqa: ANN401
    begun: dict[str, int],
    c: Columns,
    start_ns: int,
    notes: list[str],
) -> None:
    for group, kinds in ((DATA_GROUP, (DATA, OTHER)), (ERROR_GROUP, (ERROR,)), (REMOTE_GROUP, (REMOTE,))):
        rows = np.flatnonzero(np.isin(c.kind, kinds))
        if not rows.size:
            continue
        records = _records(group, c.rows(rows), notes)
        t_s = (c.t_ns[rows] - start_ns) / 1e9
        if group not in begun:
            begun[group] = len(begun)
            source = asammdf.Source(
                name="CAN", path="CAN", comment="", bus_type=asammdf.Source.BUS_TYPE_CAN,
                source_type=asammdf.Source.SOURCE_BUS,
            )  # fmt: skip
            mdf.append(asammdf.Signal(records, t_s, name=group, source=source))
        else:
            mdf.extend(begun[group], [(t_s, None), (records, None)])


def _records(group: str, c: Columns, notes: list[str]) -> np.ndarray[Any, Any]:
    made = np.zeros(len(c), _type(group))
    made[f"{group}.BusChannel"] = c.bus + 1
    made[f"{group}.ID"] = c.can_id & np.uint32(0x1FFFFFFF)
    made[f"{group}.IDE"] = c.can_id >= np.uint32(EXTENDED)
    made[f"{group}.Dir"] = c.sent
    made[f"{group}.DLC"] = made[f"{group}.DataLength"] = c.length
    if group != REMOTE_GROUP:
        made[f"{group}.DataBytes"][:, :8] = c.payload
    for row, frame in c.others.items():
        made[f"{group}.DLC"][row] = frame.dlc if frame.dlc is not None else _CODES[len(frame.data)]
        if frame.fd_flags is not None:
            made[f"{group}.DataBytes"][row, : len(frame.data)] = list(frame.data)
            made[f"{group}.EDL"][row] = 1
            made[f"{group}.BRS"][row] = frame.fd_flags & 1
            made[f"{group}.ESI"][row] = frame.fd_flags >> 1 & 1
            if frame.fd_flags > 3:
                notes.append("MDF holds the FD flags for bit rate and error state only")
    return made


@contextmanager
def _quiet() -> Iterator[None]:
    """asammdf leaves a half-made object behind, whose end would print a traceback."""
    before = sys.unraisablehook
    sys.unraisablehook = lambda unraisable: None
    try:
        yield
    finally:
        sys.unraisablehook = before


def read_mdf(path: Path) -> Stream:
    """Raises: UsageError when asammdf is missing or the file is no MDF with CAN bus logging."""
    asammdf = _asammdf()
    mdf: Any = None
    reason = ""
    with _quiet():
        try:
            mdf = asammdf.MDF(path)
        except Exception as e:  # asammdf has no class of its own for damaged files
            reason = str(e) or type(e).__name__
        if reason:
            gc.collect()
    if reason:
        raise UsageError(Complaint(f"not an MDF file: {reason}", str(path)))
    places = [(group, at) for group in GROUPS for at in mdf.channels_db.get(group, ())]
    if not places:
        mdf.close()
        raise UsageError(Complaint("an MDF file without CAN bus logging", str(path)))
    try:
        text = re.search(r"<TX>(.*?)</TX>", mdf.header.comment, re.DOTALL)  # asammdf wraps it in XML
        facts = json.loads(html.unescape(text[1]) if text else mdf.header.comment)
        start_ns, buses = int(facts["start_ns"]), tuple(map(str, facts["buses"]))
        notes = []
    except (ValueError, KeyError, TypeError):
        start_ns, buses = int(mdf.header.abs_time), ()
        notes = [
            "MDF has no bus names: buses are called by their numbers; stamps are rounded to microseconds"
        ]
    frames = [
        frame
        for group, (number, index) in places
        for frame in _frames(mdf.get(group, number, index, raw=True), group, start_ns, buses, exact=not notes)
    ]
    mdf.close()
    frames.sort(key=lambda frame: frame.t_ns)
    return Stream(_blocks(frames, buses), True, notes)


def _blocks(frames: list[Frame], buses: tuple[str, ...]) -> Iterator[Block]:
    for at in range(0, max(len(frames), 1), ROWS):
        columns = from_frames(frames[at : at + ROWS], buses, at)
        buses = columns.buses
        yield Block(columns, [])


def _frames(
    signal: Any,  # noqa: ANN401
    group: str,
    start_ns: int,
    buses: tuple[str, ...],
    *,
    exact: bool,
) -> Iterator[Frame]:
    records, names = signal.samples, signal.samples.dtype.names

    def column(name: str, default: int = 0) -> list[Any]:
        found = records[f"{group}.{name}"] if f"{group}.{name}" in names else np.full(len(records), default)
        return list(found.tolist())

    step = 1 if exact else 1000
    stamps = (np.round(signal.timestamps * (1e9 / step)).astype(np.int64) * step + start_ns).tolist()
    data = column("DataBytes") if group != REMOTE_GROUP else [[]] * len(records)
    columns = [
        column(n) for n in ("BusChannel", "ID", "IDE", "DLC", "DataLength", "Dir", "EDL", "BRS", "ESI")
    ]
    for t_ns, held, *row in zip(stamps, data, *columns, strict=True):
        bus, can_id, long, dlc, size, sent, fd, fast, passive = row
        name = buses[bus - 1] if 0 < bus <= len(buses) else f"can{bus}"
        is_remote, is_error = group == REMOTE_GROUP, group == ERROR_GROUP
        yield Frame(
            t_ns,
            can_id & 0x1FFFFFFF,
            bytes(held[:size]),
            bool(long) or is_error,
            TX if sent else RX,
            name,
            is_remote,
            is_error,
            fast + 2 * passive if fd else None,
            (dlc or None) if is_remote else dlc if dlc > 8 and not fd and not is_error else None,
        )
