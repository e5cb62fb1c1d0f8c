"""Disturbances of a line: drift, faults, interference, neighbours, passers-by."""
