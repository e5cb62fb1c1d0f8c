"""Parts of a sensor: clock, comparator, window, delays, validity, edges, output."""
