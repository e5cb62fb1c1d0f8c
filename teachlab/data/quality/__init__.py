"""Whether a recording is good enough: inspect it, label it, draw it."""
