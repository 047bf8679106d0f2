"""The invented boats that ship with the package; the word `demo` stands for the first."""

from __future__ import annotations

from pathlib import Path

__all__ = ["BOATS", "DEMO", "DEMONSTRATION", "LARGE", "boat_path", "resolve"]

DEMONSTRATION = ("kittiwake", "dunlin", "fulmar")
LARGE = ("turnstone", "greenshank", "dotterel")  # 48 channels each
BOATS = (*DEMONSTRATION, *LARGE)
DEMO = BOATS[0]


def boat_path(name: str) -> Path:
    """The spec file of a shipped boat. Raises KeyError for any other name."""
    if name not in BOATS:
        raise KeyError(name)
    return Path(__file__).with_name(f"{name}.yaml")


def resolve(word: str) -> Path:
    """The spec's path that a command was given: `demo` is the demonstration boat, all else a path."""
    return boat_path(DEMO) if word == "demo" else Path(word)
