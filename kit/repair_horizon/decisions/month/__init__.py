"""A month of the shop: thresholds, listings, stock, plan, dates, orders."""
