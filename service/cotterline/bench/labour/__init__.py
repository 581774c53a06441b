"""Labour: how long the work takes, what may go wrong, and what a shop has learned of its own pace."""
