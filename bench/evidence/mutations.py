"""Mutated recordings: made by a seed, and checked line by line against the grammar written apart."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

from bench.core.entry import Dropped, Entry
from bench.core.frame import Frame
from bench.evidence.candump_grammar import Accepted, accepted
from bench.evidence.page import Page, Table
from bench.session import BadRecord, format_frame
from bench.session.layouts import LOG
from bench.session.merge import Merge
from bench.session.scan import Scanner
from bench.session.source import Source
from bench.session.walk import Walk

RECORDINGS = 100_000
LIKELY = b"0123456789ABCDEFabcdefRrTt#._() \x00\xff\n\r\tgG\x10\x19/:@`"
BUSES = (["can0"], ["can0"], ["can0", "vcan12"], [" can0", "vcan0"], ["slcan0"], ["b#1"], ["can_forward0"])
SIZES = (0, 1, 7, 8, 12, 16, 20, 24, 32, 48, 64)


def random_frame(chance: random.Random, t_ns: int, bus: str) -> Frame:
    """A frame of any kind that candump text can hold; most are plain ones of 29 bits."""
    extended = chance.random() < 0.8
    can_id = chance.randrange(0x20000000 if extended else 0x800)
    way = "T" if chance.random() < 0.3 else "R"
    head = (t_ns, can_id)
    if chance.random() < 0.9:
        data = chance.randbytes(chance.choice((8, 8, 8, chance.randrange(9))))
        return Frame(*head, data, extended, way, bus)
    kind = chance.randrange(4)
    if kind == 0:
        return Frame(*head, chance.randbytes(8), extended, way, bus, dlc=chance.randrange(9, 16))
    if kind == 1:
        return Frame(*head, b"", extended, way, bus, remote=True, dlc=chance.choice((None, *range(1, 16))))
    if kind == 2:
        data = chance.randbytes(chance.choice(SIZES))
        return Frame(*head, data, extended, way, bus, fd_flags=chance.randrange(16))
    return Frame(*head, chance.randbytes(8), True, way, bus, error=True)


def random_recording(chance: random.Random, lines: int) -> bytes:
    """Whole candump text, with everything in it that is no fault."""
    buses = chance.choice(BUSES)
    end = chance.choice((b"\n", b"\n", b"\n", b"\r\n"))
    short = chance.random() < 0.2  # no suffix
    t_us = chance.randrange(1_000_000_000_000, 2_000_000_000_000_000)
    out = [b"\xef\xbb\xbf" if chance.random() < 0.05 else b""]
    for _ in range(lines):
        t_us += chance.randrange(300_000) if chance.random() < 0.97 else -50_000
        bus = chance.choice(buses)
        text = format_frame(random_frame(chance, t_us * 1000, bus.strip())).encode("ascii")[:-1]
        if bus != bus.strip():
            text = text.replace(b") ", b")  ", 1)
        if short:
            text = text[:-2]
        if chance.random() < 0.1:
            text = text[:20] + text[20:].lower()
        out.append(text + end)
        if chance.random() < 0.02:
            out.append(chance.choice((b"# comment", b"", b"  ")) + end)
    return b"".join(out)


def mutated(chance: random.Random, text: bytes) -> bytes:
    """One to four edits anywhere: a byte replaced, put in, taken out, a piece doubled, or the end cut."""
    raw = bytearray(text)
    for _ in range(chance.randrange(1, 5)):
        at = chance.randrange(len(raw)) if raw else 0
        change = chance.randrange(20)
        new = chance.choice(LIKELY) if chance.random() < 0.8 else chance.randrange(256)
        if change < 10:
            raw[at : at + 1] = bytes([new])
        elif change < 14:
            raw.insert(at, new)
        elif change < 17:
            del raw[at : at + 1]
        elif change < 19:
            raw[at:at] = raw[at : at + chance.randrange(1, 30)]
        else:
            del raw[at:]
    return bytes(raw)


def fast(path: Path, chunk: int = 512) -> tuple[list[Entry], Walk]:
    """Everything as the reader with columns sees it, in small pieces so that their borders are tried."""
    walk = Walk(path, None, [])
    with Source(path) as source:
        chunks = Merge(walk).chunks(Scanner(source, LOG, chunk).blocks())
        return [entry for columns in chunks for entry in columns.entries()], walk


def by_line(path: Path) -> tuple[list[Entry], Walk]:
    """Everything as the reader of single lines sees it."""
    walk = Walk(path, None, [])
    return list(walk.run()), walk


def complaint_of(path: Path, chunk: int = 512) -> str:
    """What is wrong with how a recording is read, by either way; empty when nothing is."""
    entries, walk = fast(path, chunk)
    slowly, other = by_line(path)
    if entries != slowly:
        pair = next((p for p in zip(entries, slowly, strict=False) if p[0] != p[1]), None)
        return f"fast and exact reader differ: {pair}"
    for name in ("bad", "bad_count", "cut", "frames", "step_back_ns", "beyond"):
        if getattr(walk, name) != getattr(other, name):
            return f"fast and exact reader differ in {name}"
    frames, bad = by_grammar(path.read_bytes())
    if [e for e in entries if isinstance(e, Frame)] != frames:
        return "the frames are not those of the grammar"
    if [(b.path, b.line) for b in walk.bad] != [(str(path), line) for line in bad]:
        return f"refused {[b.line for b in walk.bad]}, the grammar refuses {bad}"
    return _unexplained(walk.bad, entries)


def _unexplained(bad: list[BadRecord], entries: list[Entry]) -> str:
    if any(len(b.reason) < 10 for b in bad):
        return "a refusal without reason"
    if (
        bad
        and any(isinstance(e, Frame) for e in entries)
        and not any(isinstance(e, Dropped) for e in entries)
    ):
        return "a refusal that the stream does not show"
    return ""


def by_grammar(text: bytes) -> tuple[list[Frame], list[int]]:
    """Frames, and the numbers of the lines that must be refused, as the grammar has it."""
    frames, bad = [], []
    *lines, half = text.removeprefix(b"\xef\xbb\xbf").split(b"\n")
    for number, line in enumerate(lines, 1):
        line = line.removesuffix(b"\r")
        said = accepted(line)
        if said is not None:
            frames.append(frame_of(said))
        elif line and not line.isspace() and not line.startswith(b"#"):
            bad.append(number)
    return frames, [*bad, *([len(lines) + 1] if half else [])]


def frame_of(said: Accepted) -> Frame:
    """The frame that an accepted line means."""
    t_ns = int(said.seconds) * 10**9 + int(said.fraction) * 10 ** (9 - len(said.fraction))
    frame = Frame(
        t_ns,
        said.can_id,
        said.data,
        said.kind != "standard",
        said.way.decode(),
        said.bus.decode(),
        error=said.kind == "error",
    )
    if said.shape == "remote":
        return frame._replace(remote=True, dlc=said.raw or said.length or None)
    return frame._replace(fd_flags=said.flags, dlc=said.raw)


def study(sample: float = 1.0) -> Page:
    """Reads 100,000 mutated recordings by both ways and holds them against the grammar."""
    count = max(1, round(RECORDINGS * sample))
    chance = random.Random(1)
    wrong: list[str] = []
    refused = accepted_frames = 0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.log"
        for number in range(count):
            text = mutated(chance, random_recording(chance, chance.randrange(1, 12)))
            path.write_bytes(text)
            frames, bad = by_grammar(text)
            refused += len(bad)
            accepted_frames += len(frames)
            trouble = complaint_of(path, chance.choice((64, 512, 4096)))
            if trouble:
                wrong.append(f"recording {number}: {trouble}")
    rows = [[count, accepted_frames, refused, len(wrong)]]
    about = (
        "Recordings of up to eleven lines of every kind, with one to four edits of bytes, drawn by a fixed "
        "seed. Each was read with columns and line by line; both must give the frames, and refuse the lines "
        "with number and reason, as a grammar written apart says."
    )
    summary = f"{len(wrong)} of {count} read otherwise"
    if wrong:
        summary += ": " + "; ".join(wrong[:5])
    table = Table(("recordings", "frames accepted", "lines refused", "read otherwise"), rows)
    return Page("mutations", "Mutated recordings", about, not wrong, summary, (table,))
