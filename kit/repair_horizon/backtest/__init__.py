"""How well it would have worked: forecasts and bids replayed on what was known at the time."""
