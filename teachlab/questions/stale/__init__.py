"""Whether a setting that was good is still good."""
