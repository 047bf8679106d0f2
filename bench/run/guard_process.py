"""Starting the guard and talking to it."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
from pathlib import Path
from typing import Any

from bench.core.errors import BenchError, Complaint

READY_S = 10.0
DONE_S = 5.0
ACT_S = 100.0
ROOT = Path(__file__).resolve().parents[2]


class GuardProcess:
    """The guard of one session, a process in a session of its own so that what ends the run does not
    end it. Thread: one."""

    def __init__(self, session: Path) -> None:
        self._session = session
        self._process: subprocess.Popen[bytes] | None = None
        self._pipe = -1
        self.trouble = ""

    def start(self) -> None:
        """Blocks until it watches, up to 10 s. Raises BenchError when it does not start."""
        read_end, self._pipe = os.pipe()
        os.set_blocking(self._pipe, False)
        paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
        command = [sys.executable, "-m", "bench.run.guard", str(self._session), str(read_end)]
        try:
            with (self._session / "guard.err").open("wb") as errors:
                self._process = subprocess.Popen(
                    command, pass_fds=(read_end,), start_new_session=True, stdin=subprocess.DEVNULL,
                    stdout=subprocess.PIPE, stderr=errors, env=environment,
                )  # fmt: skip
        finally:
            os.close(read_end)
        out = self._process.stdout
        assert out is not None
        if not select.select([out], [], [], READY_S)[0] or out.readline() != b"ready\n":
            self._close()
            said = (self._session / "guard.err").read_text(encoding="utf-8", errors="replace").strip()
            last = said.splitlines()[-1] if said else "it said nothing"
            advice = "without it a run that dies leaves circuits on; see guard.err in the session"
            raise BenchError(Complaint(f"the guard did not start: {last}", advice=advice))

    @property
    def pid(self) -> int | None:
        """Its process id."""
        return self._process.pid if self._process else None

    def tell(self, can_id: int, extended: bool, data: bytes) -> None:
        """A frame is about to be sent."""
        self._write(f"T {can_id:X} {int(extended)} {data.hex()}\n")

    def by_hand(self, circuit: str, may_be: bool) -> None:
        """A circuit may be by hand from now on, or surely is no longer."""
        self._write(f"H {int(may_be)} {circuit.encode('utf-8').hex()}\n")

    def hangs_after(self, silent_s: float) -> None:
        """A run that says nothing for so long hangs."""
        self._write(f"W {round(silent_s * 1000)}\n")

    def off_within(self, circuit: str, left_s: float | None) -> None:
        """A circuit is, or may soon be, on and must be off in so many s; None: it is off."""
        left = "-" if left_s is None else str(round(left_s * 1000))
        self._write(f"L {left} {circuit.encode('utf-8').hex()}\n")

    def beat(self) -> str:
        """That the run is alive; gives back what is wrong with the guard, or nothing."""
        self._write(".\n")
        return self.trouble

    def done(self) -> None:
        """Nothing is left to switch off. Blocks: up to 5 s."""
        self._write("done\n")
        self._close()
        self._wait(DONE_S)

    def abandon(self) -> None:
        """The run cannot switch off: take over. Returns at once; see `wait_result`."""
        self._write("abandon\n")

    def wait_result(self) -> dict[str, Any]:
        """What the guard reached, after `abandon`. Blocks: up to 100 s."""
        self._close()
        self._wait(ACT_S)
        found: dict[str, Any] = json.loads((self._session / "guard.json").read_text(encoding="utf-8"))
        return found

    def _write(self, text: str) -> None:
        if self._pipe < 0:
            return
        try:
            os.write(self._pipe, text.encode("ascii"))
        except OSError as e:
            self.trouble = f"guard lost: {e.strerror}"

    def _close(self) -> None:
        if self._pipe >= 0:
            os.close(self._pipe)
            self._pipe = -1

    def _wait(self, timeout_s: float) -> None:
        if self._process is None:
            return
        try:
            self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            self.trouble = f"the guard did not end within {timeout_s:g} s"
        else:
            if self._process.stdout is not None:
                self._process.stdout.close()
