"""Indications that a reviewer noted: where, how large, how clear."""
