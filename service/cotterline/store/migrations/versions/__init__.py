"""One file a step, numbered in the order they apply."""
