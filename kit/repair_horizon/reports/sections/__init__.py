"""Pieces of a page, each for one question."""
