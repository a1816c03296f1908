"""The page of a finished strip."""
