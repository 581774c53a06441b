"""A supplier to practise with: it takes orders like a real one and replies by rules the order itself names."""
