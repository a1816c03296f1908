"""Raw frames of a digital X-ray panel, carried round a girth weld, made into one strip.

The layout, the words and the rules are explained in DEVELOPERS.md.
"""

__version__ = "0.1.0"
