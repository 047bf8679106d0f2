"""The expected-behaviour spec and the bench profile: load, schema, and what they promise in plain words."""

from .loader import Loaded, load_spec, parse_spec
from .profile import BenchProfile, load_profile, match_profile, parse_profile
from .promise import promises
from .schema import json_schema, profile_schema

__all__ = [
    "BenchProfile",
    "Loaded",
    "json_schema",
    "load_profile",
    "load_spec",
    "match_profile",
    "parse_profile",
    "parse_spec",
    "profile_schema",
    "promises",
]
