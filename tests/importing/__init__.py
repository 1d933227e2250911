"""Importing foreign exports: every kind of dirt, and no row lost.

Formats and kinds of dirt: common practice, no source, unless one is named.
"""
