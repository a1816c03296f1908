"""General-purpose stitchers beside this one, on the same frames.

``python -m tests.benchmarks.peers SCAN`` prints the table.

Every outside package lives in an environment of its own, which the command makes, and runs in a
process of its own (``run_*.py``, which import nothing of this project).
"""
