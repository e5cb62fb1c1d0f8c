"""What passes: objects, their motion, the background behind them."""
