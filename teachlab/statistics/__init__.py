"""Functions of numbers only: intervals, lots, bursts, differences, tail, trend, tolerance, planning."""
