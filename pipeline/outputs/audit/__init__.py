"""Evidence: what was done to each weld, and what in an archive needs a question."""
