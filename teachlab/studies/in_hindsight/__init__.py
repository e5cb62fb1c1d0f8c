"""The limit of all teaching: the best setting of each kind in hindsight, and the errors that even these make."""
