"""Parts of the record: lost and worst passes, repeating the teaching."""
