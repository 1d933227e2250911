"""What to do: unit economics, maximum bids, options, stop dates, and the shelf."""
