"""One unit in front of you: the figures given, and everything that follows from them."""
