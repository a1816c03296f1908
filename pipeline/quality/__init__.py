"""Measures of a strip and the log that carries them."""
