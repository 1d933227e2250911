"""Forecasts against rivals on invented families; see ``forecasts`` for how to run it."""
