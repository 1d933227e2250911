"""What the logs say: price curves, part prices, repair rates, joined into one forecast."""
