"""Readers: bytes to a table in the source's own names, texts and units."""
