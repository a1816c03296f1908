"""Plots along the strip."""
