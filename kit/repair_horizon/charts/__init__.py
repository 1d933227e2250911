"""Charts: each takes computed tables and returns a figure; nothing is computed or shown here."""
