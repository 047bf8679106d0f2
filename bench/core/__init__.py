"""Frozen data and protocols that every room of the house may use. No I/O."""
