"""What the steps share: the evaluation clock, the comparator, extremes and noise."""
