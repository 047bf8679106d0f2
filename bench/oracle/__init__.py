"""The reference model: a spec turned into expected behaviour. Pure; the judge is handed it as a Model."""

from .model import Oracle
from .offwords import OffWord, off_words

__all__ = ["OffWord", "Oracle", "off_words"]
