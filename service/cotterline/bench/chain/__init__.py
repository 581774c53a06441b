"""Where the chain runs: front and rear chain line, rings, sprockets, gears."""
