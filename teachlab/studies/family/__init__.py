"""Many recordings × strategies × parameters: rows that are kept as they end, and what they say of a family of lines."""
