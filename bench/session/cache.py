"""What was read of a large text recording, kept so that the next opening need not read the text again.

A cache is found by the recording's contents, never by its name: 128 bits of hash over the whole file,
made anew at each opening. So it cannot be stale, and a moved or copied recording finds it too. It
lies in the user's folder for caches, because a recording is evidence and nothing is put beside it.
It says itself by which version of the reader it was made, and carries a checksum over all of it; one
that does not fit exactly is not used. That no cache can be written is no error.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from bench.core.errors import InternalError

from .candump import parse_line
from .columns import TYPES, Columns
from .layouts import Layout, Lost
from .scan import Block
from .writing import format_line

VARIABLE = "HARDSTAND_CACHE"
CACHE_FROM = 1 << 22  # bytes of text from which a cache is worth its space
ALL_BYTES = 1 << 31  # what all caches together may take
FREE_BYTES = 1 << 30  # what must stay free on that disk
MOST_ODD = 50_000
_ORDER = ("t_ns", "payload", "can_id", "length", "sent", "kind", "bus")  # wide ones first: all stay aligned
_MAGIC = b"hardstand columns 1\n"
_MADE_BY = (
    "candump.py",
    "columns.py",
    "layouts.py",
    "scan.py",
    "text.py",
    "words.py",
    "source.py",
    "cache.py",
)
_VIEW = 1 << 20
_BEGIN = 32  # of the first block
_ROW_BYTES = 24


def new_hash() -> Any:  # noqa: ANN401 - of xxhash or hashlib, which share update and digest
    """A fast hash of 128 bits with `update` and `digest`."""
    try:
        import xxhash
    except ImportError:
        return hashlib.blake2b(digest_size=16)
    return xxhash.xxh3_128()


def cache_folder() -> Path | None:
    """Where caches lie; None when they are switched off (HARDSTAND_CACHE=off)."""
    named = os.environ.get(VARIABLE, "")
    if named:
        return None if named == "off" else Path(named)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA", "")
    else:
        base = os.environ.get("XDG_CACHE_HOME", "")
    try:
        return (Path(base) if base else Path.home() / ".cache") / "hardstand"
    except RuntimeError:  # no home
        return None


def reader_mark() -> str:
    """Changes with the code that reads text: what another version read is not used."""
    made = hashlib.blake2b(digest_size=8)
    for name in _MADE_BY:
        made.update((Path(__file__).parent / name).read_bytes())
    return f"{made.hexdigest()} {type(new_hash()).__module__}"


def find_cache(path: Path, layout: Layout) -> Iterator[Block] | None:
    """The blocks of a recording from its cache, or None when there is none that fits exactly."""
    folder = cache_folder()
    try:
        size = path.stat().st_size
        if folder is None or size < CACHE_FROM or not any(folder.glob(f"*-{size}.columns")):
            return None
        cache = folder / _name(_hash_of(path), size)
        file = cache.open("rb")
    except OSError:
        return None
    try:
        os.utime(cache)
        head = _checked(file)
    except (OSError, ValueError):
        head = None
    if head is None or head["mark"] != reader_mark() or head["layout"] != layout.name:
        file.close()
        return None
    return _blocks(file, head)


def _name(digest: bytes, size: int) -> str:
    return f"{digest.hex()}-{size}.columns"


def _hash_of(path: Path) -> bytes:
    made = new_hash()
    buffer = bytearray(1 << 20)
    view = memoryview(buffer)
    with path.open("rb", buffering=0) as file:
        while count := file.readinto(buffer):
            made.update(view[:count])
    digest: bytes = made.digest()
    return digest


def _checked(file: BinaryIO) -> dict[str, Any] | None:
    """What stands at the end of the file, when all of it is as it was written."""
    end = file.seek(0, os.SEEK_END) - 24
    file.seek(0)
    if end < _BEGIN or file.read(len(_MAGIC)) != _MAGIC:
        return None
    file.seek(0)
    made = new_hash()
    view = memoryview(bytearray(_VIEW))
    left = end + 8
    while left and (count := file.readinto(view[: min(left, _VIEW)])):  # type: ignore[attr-defined]
        made.update(view[:count])
        left -= count
    if left or made.digest() != file.read():
        return None
    file.seek(end)
    start = int.from_bytes(file.read(8), "little")
    file.seek(start)
    head: dict[str, Any] = json.loads(file.read(end - start))
    return head


def _blocks(file: BinaryIO, head: dict[str, Any]) -> Iterator[Block]:
    with file:
        yield from _read_blocks(file, head)


def _read_blocks(file: BinaryIO, head: dict[str, Any]) -> Iterator[Block]:
    first = 0
    file.seek(_BEGIN)
    for rows, buses, others, lost in head["blocks"]:
        size = rows * _ROW_BYTES
        held = file.read(size + -size % 8)
        if len(held) < size:
            raise OSError("the cache ended early")
        arrays: dict[str, Any] = {}
        at = 0
        for name in _ORDER:
            count = rows * 8 if name == "payload" else rows
            arrays[name] = np.frombuffer(held, TYPES[name], count, at)
            at += arrays[name].nbytes
        arrays["payload"] = arrays["payload"].reshape(-1, 8)
        frames = {row: parse_line(text.encode("ascii")) for row, text in others}
        columns = Columns(**arrays, buses=tuple(head["buses"][:buses]), first=first, others=frames)
        there = [
            (row, line, Lost(text.encode("latin-1"), reason, where, count))
            for row, line, text, reason, where, count in lost
        ]
        yield Block(columns, there)
        first += rows


class CacheWriter:
    """Writes the blocks that are given to it on their way; any trouble with the disk ends it in silence."""

    def __init__(self, layout: Layout, text_bytes: int) -> None:
        self.hash = new_hash()  # of the recording, as it was read
        self._layout = layout
        self._made = new_hash()
        self._blocks: list[list[Any]] = []
        self._buses: tuple[str, ...] = ()
        self._odd = 0
        self._at = 0
        self._file: BinaryIO | None = None
        self._part = Path()
        folder = cache_folder()
        if folder is None or text_bytes < CACHE_FROM:
            return
        with contextlib.suppress(OSError):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            _make_room(folder, text_bytes)
            number, name = tempfile.mkstemp(dir=folder, suffix=".part")
            self._part, self._file = Path(name), os.fdopen(number, "wb")
            self._write(_MAGIC.ljust(_BEGIN, b"\0"))

    @property
    def is_open(self) -> bool:
        """Whether something is being written."""
        return self._file is not None

    def add(self, block: Block) -> None:
        """The next block."""
        if self._file is None:
            return
        columns = block.columns
        self._odd += len(columns.others) + len(block.lost)
        if self._odd > MOST_ODD:
            self.close()
            return
        try:
            others = [(row, format_line(frame)[:-1]) for row, frame in columns.others.items()]
        except InternalError:
            self.close()
            return
        lost = [(row, line, x.text[:1000].decode("latin-1"), *x[1:]) for row, line, x in block.lost]
        self._buses = columns.buses
        self._blocks.append([len(columns), len(columns.buses), others, lost])
        try:
            for name in _ORDER:
                self._write(getattr(columns, name).astype(TYPES[name], copy=False).tobytes())
            self._write(bytes(-self._at % 8))
        except OSError:
            self.close()

    def finish(self, size: int) -> None:
        """All was read, `size` bytes of it: the cache gets its name."""
        if self._file is None:
            return
        head = {
            "mark": reader_mark(),
            "layout": self._layout.name,
            "buses": self._buses,
            "blocks": self._blocks,
        }
        try:
            start = self._at
            self._write(json.dumps(head).encode("ascii"))
            self._write(start.to_bytes(8, "little"))
            self._file.write(self._made.digest())
            self._file.close()
            self._part.replace(self._part.parent / _name(self.hash.digest(), size))
            self._file = None
        except OSError:
            self.close()

    def close(self) -> None:
        """Takes away what is not finished. Safe to call twice."""
        if self._file is not None:
            with contextlib.suppress(OSError):
                self._file.close()
                self._part.unlink()
            self._file = None

    def _write(self, data: bytes) -> None:
        assert self._file is not None
        self._file.write(data)
        self._made.update(data)
        self._at += len(data)


def _make_room(folder: Path, text_bytes: int) -> None:
    """Takes the longest unused caches away. Raises: OSError when there is no room for another."""
    caches = sorted(
        ((c.stat().st_mtime, c.stat().st_size, c) for c in folder.glob("*.columns")), reverse=True
    )
    total = text_bytes
    for _, size, cache in caches:
        total += size
        if total > ALL_BYTES:
            cache.unlink()
    usage = os.statvfs(folder) if hasattr(os, "statvfs") else None
    if usage is not None and usage.f_bavail * usage.f_frsize < FREE_BYTES + text_bytes:
        raise OSError("the disk is nearly full")
