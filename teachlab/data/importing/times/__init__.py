"""Times of a log: how they are written, and whether they are uniform."""
