"""The review page's server: strips looked at, measured in, written down about, on one machine."""
