"""Many welds at once: which strips are stale, made anew on many workers, compared, accepted."""
