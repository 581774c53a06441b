"""What a job costs: a shop's rules, its parts and their prices, exact amounts, and the bill."""
