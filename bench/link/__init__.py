"""CAN links: one owner at a time each, everything that happened comes out as entries."""

from .open import link_from_text, open_link

__all__ = ["link_from_text", "open_link"]
