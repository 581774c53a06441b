"""Which spindle: targets, cranks, tapers, seats, clearances, and the policy of an order."""
