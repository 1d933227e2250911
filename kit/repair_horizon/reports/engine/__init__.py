"""How a notebook's cells are run for a page: in a fork of a warmed process, or a fresh kernel.

``limits`` says what a run may take, ``forked`` is papermill's engine that hands cells to a
process kept warm (``warmed``), which runs ``serving``: everything a page needs is imported there
once, and every notebook gets a fork of it, so that nothing one family does reaches the next.
``shell`` runs the cells in that fork as a kernel would. ``rehearsing`` and ``holding`` are what is
done once for all forks: imports, and reading the logs. ``executing`` is the way in, ``lighter``
leaves out one slow import, ``unwritable`` says once that a folder cannot be written to.
"""
