"""Raw frames of a digital X-ray panel, carried round a girth weld, made into one strip.

The layout, the words and the rules are explained in DEVELOPERS.md.
"""

__version__ = "0.1.0"

NUMERIC_VERSION = "1"
"""Raised whenever the same input gives another strip, maps or log than before; strips made by
another one are stale. A change of pages, messages or speed leaves it as it is."""
