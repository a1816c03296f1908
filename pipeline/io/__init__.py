"""Reading and writing files; nothing is computed here."""
