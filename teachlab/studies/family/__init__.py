"""Many recordings × strategies × parameters: rows kept as recordings are completed, and verdicts on a family."""
