"""What goes wrong on a line: drift, faults, interference, neighbours, passers-by."""
