"""The bytes of a recording: plain, gzip or zstd, told by how the file begins, not by its name.

What is damaged or cut off inside a compressed file ends the bytes there and is said in `damage`.
"""

from __future__ import annotations

import sys
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from bench.core.errors import Complaint, UsageError

GZIP, ZSTD = b"\x1f\x8b", b"\x28\xb5\x2f\xfd"  # RFC 1952; RFC 8878
_PIECE = 1 << 13  # compressed bytes unpacked at once: bounds the memory a hostile file can claim


class Source:
    """A recording opened for reading from its beginning. `heard` is told every byte of the file."""

    def __init__(self, path: Path, heard: Callable[[memoryview], object] | None = None) -> None:
        self.path = path
        self.damage = ""
        self._heard = heard
        self.heard_bytes = 0  # of the file, so far
        self._file = path.open("rb", buffering=0)
        try:
            head = self._file.read(4)
            self._file.seek(0)
            self._kind = "gzip" if head[:2] == GZIP else "zstd" if head == ZSTD else ""
            self._unpacker: Any = _unpacker(self._kind, path) if self._kind else None
        except BaseException:
            self._file.close()
            raise
        self._packed = b""
        self._ready = memoryview(b"")
        self._ended = False

    @property
    def is_packed(self) -> bool:
        """Whether the file is compressed."""
        return bool(self._kind)

    def close(self) -> None:
        """Safe to call twice."""
        self._file.close()

    def __enter__(self) -> Source:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def read(self, size: int) -> bytes:
        """Up to `size` bytes; empty only at the end. Raises: OSError when the disk fails."""
        buffer = bytearray(size)
        return bytes(memoryview(buffer)[: self.readinto(memoryview(buffer))])

    def readinto(self, view: memoryview) -> int:
        """Fills `view` as far as there are bytes; less than all of it only at the end."""
        filled = 0
        while filled < len(view):
            count = self._unpacked_into(view[filled:]) if self._kind else self._raw_into(view[filled:])
            if not count:
                break
            filled += count
        return filled

    def _raw_into(self, view: memoryview) -> int:
        count = self._file.readinto(view) or 0
        self._hear(view[:count])
        return count

    def _unpacked_into(self, view: memoryview) -> int:
        while not self._ready and not self._ended:
            self._ready = memoryview(self._unpack())
        count = min(len(view), len(self._ready))
        view[:count] = self._ready[:count]
        self._ready = self._ready[count:]
        return count

    def _unpack(self) -> bytes:
        packed = self._packed or self._more()
        self._packed = b""
        if self._unpacker.eof:
            return self._next_part(packed)
        if not packed:
            self._end("the compressed file was cut off here")
            return b""
        try:
            out: bytes = self._unpacker.decompress(packed)
        except Exception as e:  # each library has its own class for damaged input
            self._end(f"the compressed file is damaged here: {e}")
            return b""
        if self._unpacker.eof:
            self._packed = self._unpacker.unused_data
        return out

    def _next_part(self, packed: bytes) -> bytes:
        """Compressed files may be put one behind another, and padded with zeros."""
        packed = packed.lstrip(b"\0")
        if not packed:
            packed = self._more()
            if not packed:
                self._end("")
            self._packed = packed
        elif packed[:1] != (GZIP if self._kind == "gzip" else ZSTD)[:1]:
            self._end(f"bytes that are not {self._kind} follow here")
        else:
            self._unpacker, self._packed = _unpacker(self._kind, self.path), packed
        return b""

    def _more(self) -> bytes:
        packed = self._file.read(_PIECE)
        self._hear(memoryview(packed))
        return packed

    def _hear(self, read: memoryview) -> None:
        self.heard_bytes += len(read)
        if read and self._heard is not None:
            self._heard(read)

    def _end(self, damage: str) -> None:
        self._ended, self.damage = True, damage


def _unpacker(kind: str, path: Path) -> Any:  # noqa: ANN401 - three libraries, one shape
    if kind == "gzip":
        return zlib.decompressobj(wbits=31)
    if sys.version_info >= (3, 14):
        from compression import zstd

        return zstd.ZstdDecompressor()
    try:
        import zstandard
    except ImportError:
        advice = "pip install 'hardstand[stores]', or unpack the file first"
        raise UsageError(Complaint("reading zstd needs zstandard", str(path), advice=advice)) from None
    return zstandard.ZstdDecompressor().decompressobj()
