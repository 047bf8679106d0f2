"""Where a definition or binding file named by a spec lies."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from bench.core.errors import Complaint, DefinitionError

_PACKAGE = Path(__file__).resolve().parent.parent
SHIPPED = (_PACKAGE / "dbcdata", _PACKAGE.parent / "dbc")  # installed, and in a checkout


def find_file(name: str, base: Path | None, *, shipped: bool = True) -> Path:
    """The file beside the spec (`base`), else with `shipped` the one that ships with the package.

    **Raises:** DefinitionError with the places looked at.
    """
    if not shipped:
        name = str(inside(name))
    places: list[Path] = [*([base] if base is not None else []), *(SHIPPED if shipped else ())]
    for place in places:
        path = place / name  # an absolute name wins over the place
        if path.is_file():
            return path
    looked = ", ".join(str(p) for p in places if p.is_dir()) or "no folder that exists"
    raise DefinitionError(
        Complaint(
            f'there is no file "{name}"',
            path=name,
            advice=f"put it beside the spec or give its path; looked in {looked}"
            if shipped
            else "a session is judged by its own copies: put it back, or name a spec (--spec SPEC)",
        )
    )


def inside(name: str) -> Path:
    """The name by which a session keeps its copy: a path that stays inside the session."""
    path = PurePosixPath(name.replace("\\", "/"))
    return Path(path.name) if path.is_absolute() or ".." in path.parts else Path(*path.parts)


def read_text(path: Path) -> str:
    """The text of a definition file: UTF-8, else Windows-1252, as such files are written.

    **Raises:** DefinitionError when it is empty, unreadable or not text.
    """
    try:
        raw = path.read_bytes()
    except OSError as e:
        raise DefinitionError(Complaint(f"cannot be read: {e.strerror}", path=str(path))) from e
    if not raw.strip():
        raise DefinitionError(Complaint("the file is empty", path=str(path)))
    if any(b < 32 and b not in b"\t\n\r\f" for b in raw):
        raise DefinitionError(
            Complaint("this is not a text file", path=str(path), expected="message definitions as text")
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", errors="replace")
    return text.replace("\r\n", "\n")
