"""The SocketCAN tests, in a kernel that has it: user-mode Linux, no root needed (tests/uml).

Without it they are skipped, and say so; HARDSTAND_NEEDS_SOCKETCAN=1, as CI sets it, makes that a failure.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
INSIDE = ["tests/conformance/test_socketcan_conforms.py", "tests/session/test_session_can_utils.py"]
NO_GUEST = 77


@pytest.mark.realtime
@pytest.mark.alone
@pytest.mark.slow
def test_the_kit_and_the_witnesses_of_can_utils_pass_on_socketcan(tmp_path):
    files = [name for name in INSIDE if (ROOT / name).exists()]
    inside = f"{sys.executable} -m pytest -p no:cacheprovider -rs -o addopts= {' '.join(files)}"
    done = subprocess.run(
        [ROOT / "tests" / "uml" / "run.sh", tmp_path, inside],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode == NO_GUEST and not os.environ.get("HARDSTAND_NEEDS_SOCKETCAN"):
        pytest.skip("needs user-mode-linux, can-utils, busybox-static, iproute2, kmod (see docs/links.md)")
    print(done.stdout, done.stderr)
    assert done.returncode == 0, f"status {done.returncode}"
    assert " passed" in done.stdout
    assert " skipped" not in done.stdout
