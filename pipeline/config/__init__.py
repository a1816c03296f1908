"""TOML files → frozen records; every fault of a file at once, with its line."""
