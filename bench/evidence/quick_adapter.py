"""`python -m bench.evidence.quick_adapter`: an adapter on a pseudo-terminal that does nothing but answer.

A round trip through it is the link's own time and the system's, with next to nothing of the far end's.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from subprocess import PIPE, Popen

from bench.link.slcan_codec import encode_frame

ASK_ID, ANSWER_ID = 0x18EF2021, 0x18EF2120  # frames as a boat's keys and boxes send them
DATA = bytes(range(1, 9))
ASKING = encode_frame(ASK_ID, DATA)
ANSWER = b"Z\r" + encode_frame(ANSWER_ID, DATA)
ANSWERS = {b"V": b"V1013\r", b"T": ANSWER}


def serve(port: int) -> None:
    """Answers until the port is closed. Blocks."""
    rest = b""
    while True:
        got = os.read(port, 4096)
        if got == ASKING and not rest:
            os.write(port, ANSWER)
            continue
        *lines, rest = (rest + got).split(b"\r")
        os.write(port, b"".join(ANSWERS.get(line[:1], b"\r") for line in lines))


@contextmanager
def answering() -> Iterator[str]:
    """The path of a port with such an adapter behind it, a process of its own."""
    command = [sys.executable, "-m", "bench.evidence.quick_adapter"]
    with Popen(command, stdout=PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.kill()


if __name__ == "__main__":
    import tty

    near, far = os.openpty()
    tty.setraw(far)
    print(os.ttyname(far), flush=True)
    serve(near)
