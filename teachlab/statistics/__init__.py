"""Numbers in, numbers out: intervals, lots, bursts, differences, tail, trend, tolerance, planning."""
