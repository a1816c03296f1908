"""What is made from a finished weld folder."""
