"""Lead marks against the strip's own ruler."""
