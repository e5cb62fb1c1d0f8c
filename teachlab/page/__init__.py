"""The page on which a user drags the levels: what it holds, and how it is put together."""
