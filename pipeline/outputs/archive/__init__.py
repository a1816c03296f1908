"""Welds kept for good: BagIt packages in several places, proved, mended and restored from."""
