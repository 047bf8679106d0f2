"""The main job on the virtual box of the demo boat: once healthy, once with a seeded fault."""

from __future__ import annotations

import argparse
import shutil
import sys
from pathlib import Path

from bench.cli.judging import tell
from bench.cli.loading import load_boat
from bench.cli.output import print_json
from bench.cli.running import Wish, run_boat
from bench.core.clock import elapsed_ns
from bench.core.errors import Complaint, UsageError
from bench.core.verdict import FAIL, PASS
from bench.report import Material
from bench.report.files import verdict_document
from bench.report.progress import Progress

FAULT, SUBJECTS = "member_missing", ("side_step",)
OWN_FILES = ("session.json",)  # what shows that a folder is one of ours


def demonstrate(args: argparse.Namespace) -> int:
    """Both runs; 0 when the healthy one passes and the fault is found on the right circuit."""
    out = Path(args.out)
    healthy = _run("healthy", None, out / "healthy", args)
    faulty = _run(f"with the fault {FAULT}", FAULT, out / "faulty", args)
    roots = [d.subject for d in faulty.verdict.discrepancies]
    found = faulty.verdict.outcome == FAIL and bool(roots) and set(roots) <= set(SUBJECTS)
    right = healthy.verdict.outcome == PASS and found
    status = 0 if right else 3
    if args.json:
        documents = {"healthy": verdict_document(healthy), "faulty": verdict_document(faulty)}
        print_json({"status": status, "evidence": str(out), **documents})
        return status
    print(
        f"The healthy box: {healthy.verdict.outcome}. The seeded fault: {'found' if found else 'NOT FOUND'}."
    )
    print(f"The page to read in a browser: {out / 'faulty' / 'report.html'}")
    print(f"The recording: {out / 'faulty' / 'frames.log'}")
    print(f"The same verdict again, from the recording alone: hardstand judge {out / 'faulty'}")
    return status


def _run(title: str, fault: str | None, folder: Path, args: argparse.Namespace) -> Material:
    _make_room(folder)
    boat = load_boat("demo")
    progress = Progress(sys.stderr)
    start_ns = elapsed_ns()
    try:
        result, material = run_boat(
            Wish("demo", "twin", folder, fault=fault, seed=args.seed), boat, tell_progress=progress.update
        )
    finally:
        progress.close()
    if not args.json:
        real_s = (elapsed_ns() - start_ns) / 1e9
        print(
            f"== {boat.spec.boat.name}, {title}: {result.bench_s:.0f} s on the bench, {real_s:.1f} s here\n"
        )
        tell(material, as_json=False, where=str(folder))
        print()
    return material


def _make_room(folder: Path) -> None:
    """Removes an earlier demo's session, and nothing else.

    Raises: UsageError when the folder holds something that is no session.
    """
    if not folder.exists() or not any(folder.iterdir()):
        return
    if not all((folder / name).exists() for name in OWN_FILES):
        raise UsageError(
            Complaint(
                "this folder holds something else", path=str(folder), advice="name another: --out FOLDER"
            )
        )
    shutil.rmtree(folder)
