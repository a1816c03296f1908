"""Tests of the config files: places, messages, rules."""
