"""The command `hardstand`. Each command is one module, imported only when it is called."""

from __future__ import annotations

from bench.cli.top import main

__all__ = ["main"]
