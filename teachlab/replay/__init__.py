"""Recording and setting to output, bit-exact."""
