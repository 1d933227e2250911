"""How a file is written: whole or not at all, under a lock, by a safe name."""
