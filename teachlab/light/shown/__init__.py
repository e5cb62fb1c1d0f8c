"""Light of labelled events as teaching looks at it: by itself, and out of tables that many showings share."""
