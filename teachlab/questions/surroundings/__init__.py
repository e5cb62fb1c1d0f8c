"""What neighbours and lamps add to the light."""
