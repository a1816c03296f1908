"""What the page says, in words and rows."""
