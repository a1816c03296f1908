"""Speed and accuracy at full size, in one table. Runs only when asked for by its folder."""
