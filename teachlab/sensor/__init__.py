"""What a sensor is made of: clock, comparator, window, delays, validity, edges, output."""
