"""`python -m bench.evidence [STUDY ...]`: runs studies and writes their pages."""

from __future__ import annotations

import argparse
import importlib
import sys
from pathlib import Path

from bench.evidence.page import write_page

STUDIES = {
    "healthy": "healthy virtual boxes with noise and jitter pass, whatever the seed",
    "faults": "every seeded fault ends in its expected verdict",
    "witness": "a supply accuses no healthy box, and names every output that only pretends",
    "persons": "people who err, skip or leave make no healthy box fail",
    "scoreboard": "the plan finds every single edit of a configuration that a report can show",
    "planning": "plans of random boats do what they say, and healthy boxes pass them",
    "walks": "a healthy box never fails, however it is used, heard or begun to be judged",
    "edges": "boxes at the edges of what is agreed never fail",
    "corpus": "noisy healthy traces raise no alarm, the same with one fault each do",
    "live": "a verdict reached live is the one its recording gives, to the letter",
    "stretches": "long recordings judged by stretches come out as frame by frame, to the letter",
    "cuts": "recordings cut anywhere neither fail wrongly nor lose what they showed",
    "truncated": "a session cut off at any byte opens, says so and loses no whole line",
    "speed": "how much faster than real time the virtual regression runs",
    "compare": "healthy sessions compare as the same, small faults as different",
    "mutations": "mutated recordings are read as a grammar written apart says, and never wrongly",
    "reading": "how fast recordings are read and written, beside general-purpose libraries in the same run",
    "memory": "twenty million frames are judged in little memory",
    "link_faults": "random faults of the link during runs never end in a wrong pass or fail",
    "links": "links on a pseudo-terminal lose nothing, cost little and send in time",
    "kills": "a run killed at any moment leaves a session that opens and a box that is off",
}


def main(argv: list[str] | None = None) -> int:
    """0 when all studies hold, else 1."""
    parser = argparse.ArgumentParser(prog="python -m bench.evidence", description=__doc__)
    parser.add_argument("study", nargs="*", help=f"one or more of: {', '.join(STUDIES)} (default: all)")
    parser.add_argument("--out", type=Path, default=Path("docs/evidence"), help="folder of the pages")
    parser.add_argument("--sample", type=float, default=1.0, help="share of the full size, for trying out")
    args = parser.parse_args(argv)
    unknown = [name for name in args.study if name not in STUDIES]
    if unknown:
        parser.error(f"no such study: {', '.join(unknown)}; there are {', '.join(STUDIES)}")
    holds = True
    for name in args.study or STUDIES:
        print(f"{name}: {STUDIES[name]} ...", flush=True)
        page = importlib.import_module(f"bench.evidence.{name}").study(args.sample)
        print(
            f"  {'holds' if page.holds else 'DOES NOT HOLD'}: {page.summary}\n  {write_page(page, args.out)}",
            flush=True,
        )
        holds = holds and page.holds
    return 0 if holds else 1


if __name__ == "__main__":
    sys.exit(main())
