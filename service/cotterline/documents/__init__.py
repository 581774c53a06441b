"""What is written for others to read: orders as UBL or in a supplier's own shape."""
