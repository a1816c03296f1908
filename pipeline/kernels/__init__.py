"""Compiled loops and array functions: arrays in, arrays out; no files, no config."""
