"""Which shell this is: evidence, probabilities, conditions of an order, remedies."""
