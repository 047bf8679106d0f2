"""The expected-behaviour spec and the bench profile: load, schema, and what they promise in plain words."""

from .loader import Loaded, load_spec, parse_spec

__all__ = ["Loaded", "load_spec", "parse_spec"]
