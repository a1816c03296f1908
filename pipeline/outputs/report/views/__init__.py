"""Pictures cut from the strip."""
