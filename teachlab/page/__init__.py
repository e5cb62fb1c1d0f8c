"""The page on which levels are taken in the hand: what it holds, and how it is put together."""
