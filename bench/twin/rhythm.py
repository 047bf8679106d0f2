"""When the program gets to what happens: the scan of its pins, and its task."""

from __future__ import annotations

import random

from bench.twin.power import MS
from bench.twin.tables import BoxRow


class Rhythm:
    """Scan and task of a box run in cycles; `phases` draws where these stand, `jitter` how late a task is."""

    def __init__(self, row: BoxRow, phases: random.Random, jitter: random.Random) -> None:
        self._jitter = jitter
        self._task_ns, self._scan_ns = int(row.task_ms * MS), int(row.scan_ms * MS)
        self._debounce_ns = int(row.debounce_ms * MS)
        self._task_phase = phases.randrange(self._task_ns) // 1000 * 1000 if self._task_ns else 0
        self._scan_phase = phases.randrange(self._scan_ns) // 1000 * 1000 if self._scan_ns else 0
        self.ramp_ns = max(self._task_ns, 20 * MS) if self._task_ns else 10 * MS

    def tick(self, t_ns: int) -> int:
        """The task that first sees something of `t_ns`, with a little jitter of its own."""
        if not self._task_ns:
            return t_ns
        return self.task(t_ns) + self._jitter.randrange(self._task_ns // 10 + 1) // 1000 * 1000

    def task(self, t_ns: int) -> int:
        """The first task at `t_ns` or later."""
        if not self._task_ns:
            return t_ns
        return t_ns + self._task_ns - 1 - (t_ns - self._task_phase - 1) % self._task_ns

    def accepted(self, t_ns: int) -> int:
        """When the scan has seen a pin steady long enough that changed at `t_ns`."""
        if not self._scan_ns:
            return t_ns + self._debounce_ns
        late = self._scan_ns - 1 - (t_ns - self._scan_phase - 1) % self._scan_ns
        rest = -(-self._debounce_ns // self._scan_ns) * self._scan_ns
        return t_ns + late + rest
