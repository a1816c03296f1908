"""What every page draws with."""
