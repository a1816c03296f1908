"""Invented welds and scans whose truth is known."""
