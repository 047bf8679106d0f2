"""pytest plugin: run a spec from a test of your own.

    def test_my_boat_does_what_was_agreed(hardstand_run):
        assert hardstand_run("myboat.yaml").outcome == "pass"

Everything heavy is imported inside the fixture: the plugin costs nothing where it is not used.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from bench.core.verdict import Verdict


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--hardstand-spec` and `--hardstand-on`."""
    group = parser.getgroup("hardstand", "runs of a switching box against its spec")
    group.addoption(
        "--hardstand-spec",
        metavar="SPEC",
        default="demo",
        help="the spec that hardstand_run runs unless a test names one: a file, or demo, dunlin, fulmar",
    )
    group.addoption(
        "--hardstand-on",
        metavar="WHERE",
        default="twin",
        help="twin, slcan:PORT or INTERFACE:CHANNEL; a real box is energised without asking",
    )


@pytest.fixture
def hardstand_run(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[..., Verdict]:
    """A function `run(spec=None, *, fault=None, seed=1, short=False)` that gives back the Verdict.

    The session, with its report, lies in a folder of the test's `tmp_path`. A verdict that is not a
    pass is shown in the test's output.

    Raises: HardstandError when spec, definitions or bench are wrong.
    """
    count = 0

    def run(
        spec: str | Path | None = None, *, fault: str | None = None, seed: int = 1, short: bool = False
    ) -> Verdict:
        from bench.cli.running import Wish, run_and_judge
        from bench.core.verdict import PASS
        from bench.report.terminal import verdict_text

        nonlocal count
        count += 1
        folder = tmp_path / f"hardstand-{count}"
        wish = Wish(
            spec=str(spec or request.config.getoption("--hardstand-spec")),
            on=str(request.config.getoption("--hardstand-on")),
            out=folder,
            fault=fault,
            seed=seed,
            short=short,
        )
        material = run_and_judge(wish)
        if material.verdict.outcome != PASS:
            print(verdict_text(material, where=str(folder)))
        return material.verdict

    return run
