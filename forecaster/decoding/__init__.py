"""Decoding of typed records."""
