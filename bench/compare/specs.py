"""Whether two sessions were judged by the same spec and definitions, and if not, what differs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path

from bench.core.errors import BenchError, Complaint, UsageError
from bench.definitions import Definitions
from bench.spec.model import Spec

SHOWN = 12
NOT_MEANING = {"path", "source", "places"}


def refuse_unlike(a: Spec, b: Spec, definitions_a: Definitions, definitions_b: Definitions) -> None:
    """Raises: UsageError that names what differs; BenchError when a file of definitions cannot be read."""
    found = [*spec_differences(a, b), *definition_differences(definitions_a, definitions_b)]
    if not found:
        return
    more = [f"and {len(found) - SHOWN} more"] if len(found) > SHOWN else []
    text = f"the sessions are of different specs or definitions: {'; '.join([*found[:SHOWN], *more])}"
    advice = "to compare the circuits that both have: --across-specs"
    raise UsageError(Complaint(text, expected="two sessions of the same spec", advice=advice))


def spec_differences(a: Spec, b: Spec) -> list[str]:
    """`circuits horn rated_a: 5.0, then 5.5`, in order of the spec; text and order of lines do not count."""
    return list(_unlike("", a, b))


def _unlike(where: str, a: object, b: object) -> Iterator[str]:
    if a == b and not is_dataclass(a):
        return
    if is_dataclass(a) and not isinstance(a, type) and type(a) is type(b):
        for f in fields(a):
            if f.name not in NOT_MEANING:
                yield from _unlike(f"{where} {f.name}".strip(), getattr(a, f.name), getattr(b, f.name))
    elif isinstance(a, Mapping) and isinstance(b, Mapping):
        for key in dict.fromkeys([*a, *b]):
            if key not in a or key not in b:
                yield f"{where} {key}: only in {'A' if key in a else 'B'}"
            else:
                yield from _unlike(f"{where} {key}", a[key], b[key])
    else:
        yield f"{where}: {_short(a)}, then {_short(b)}"


def _short(value: object) -> str:
    text = str(sorted(value)) if isinstance(value, frozenset) else str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def definition_differences(a: Definitions, b: Definitions) -> list[str]:
    """Files of definitions and bindings that do not hold the same text."""
    left, right = ({Path(p).name: _text(Path(p)) for p in d.paths} for d in (a, b))
    out = [f"{name}: only in {'A' if name in left else 'B'}" for name in sorted(left.keys() ^ right.keys())]
    both = sorted(left.keys() & right.keys())
    return out + [f"{name} does not hold the same" for name in both if left[name] != right[name]]


def _text(path: Path) -> bytes:
    try:
        return b"\n".join(path.read_bytes().splitlines())
    except OSError as e:
        raise BenchError(Complaint(f"cannot be read: {e.strerror or e}", str(path))) from e
