"""Values in the order of time: trends, sums that alarm, periods, how far neighbours resemble each other."""
