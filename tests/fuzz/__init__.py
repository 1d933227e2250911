"""Bad input tried by machine: ``python -m tests.fuzz SECONDS`` (see ``__main__``)."""
