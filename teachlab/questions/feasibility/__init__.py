"""Whether any setting can serve this light, and what would make one serve."""
