"""Values in time order: trends, sums that alarm, periods, and how much neighbours resemble each other."""
