"""How much dirt, ambient light or speed a setting bears."""
