"""Bias and limits of agreement, of all pairs and of parts of them."""
