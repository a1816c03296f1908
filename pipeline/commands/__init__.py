"""Commands that come in groups, a module each."""
