"""What no teaching can beat: the best setting of each kind in hindsight, and what even these get wrong."""
