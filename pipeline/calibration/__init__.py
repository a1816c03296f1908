"""Detector calibration: what it is, how it is built, what makes a pixel bad."""
