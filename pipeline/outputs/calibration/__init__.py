"""The page of a calibration, and the picture of two compared."""
