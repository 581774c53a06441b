"""What partners try their own programs with: checks that play this service against a receiver or a supplier."""
