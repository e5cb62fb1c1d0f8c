"""Light of labelled events for teaching: read directly, or from tables that many showings share."""
