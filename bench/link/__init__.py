"""CAN links: one owner thread each, everything that happened comes out as entries."""

from .open import link_from_text, open_link

__all__ = ["link_from_text", "open_link"]
