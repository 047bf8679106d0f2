"""What a person's answers mean."""

from __future__ import annotations

UNANSWERED = "unanswered"
DONE = ("done", "not_so")
_NOT_DONE = {
    "skipped": "the person skipped it",
    "no_answer": "nobody answered in time",
    "not_so": "the person saw it otherwise",
    UNANSWERED: "the run ended before it was answered",
}


def why_not(answer: str) -> str:
    """Why an answer does not say that it was done, and so."""
    return _NOT_DONE.get(answer, f"the answer is {answer!r}")
