"""JSON Schemas of the spec and the bench profile, for editors. Made from the grammar, not written."""

from __future__ import annotations

from .grammar import SPEC, VERSION
from .profile import PROFILE
from .profile import VERSION as PROFILE_VERSION
from .shapes import Json

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def json_schema() -> Json:
    """The spec's schema. It checks shape, words and ranges; names, channels and options that depend
    on one another are the loader's and `check`'s."""
    return {"$schema": DRAFT, "title": f"Hardstand spec, version {VERSION}", **SPEC.json()}


def profile_schema() -> Json:
    """The bench profile's schema."""
    return {
        "$schema": DRAFT,
        "title": f"Hardstand bench profile, version {PROFILE_VERSION}",
        **PROFILE.json(),
    }
