"""Questions about a whole family of settings: surface, hindsight, stress, feasibility, timing, surroundings."""
