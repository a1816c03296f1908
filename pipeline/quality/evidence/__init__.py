"""Whether strips, frames and times are what they are said to be: arrays and records, no files."""
