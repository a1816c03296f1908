"""What reprocessing changed: a weld's two results side by side, and all welds' on one page."""
