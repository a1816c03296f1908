"""Noise beside the weld, and where the weld lies."""
