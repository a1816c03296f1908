"""A finished strip in DICONDE: Digital X-Ray images, and a presentation state with marks."""
