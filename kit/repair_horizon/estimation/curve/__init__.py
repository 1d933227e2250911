"""The price curve of a family: rows, design, market, fit, prediction, checks."""
