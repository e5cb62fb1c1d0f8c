"""What every table of a synthetic line uses: spreads, random streams, stretches, checks."""
