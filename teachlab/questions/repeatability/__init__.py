"""What teaching again would have given."""
