"""What may be claimed when passes come in lots: bounds of rates and costs, and the order of settings."""
