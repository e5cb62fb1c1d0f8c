"""Parts of the record: lost and worst passes, and repeated teaching."""
