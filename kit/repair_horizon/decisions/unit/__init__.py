"""One unit: its options, what they are worth, the highest price to pay for it."""
