"""Image quality indicators: where each lies, which wires and pairs are seen."""
