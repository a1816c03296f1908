"""A strip's image quality: every figure with what is asked of it."""
