"""What another sensor would have made of this light."""
