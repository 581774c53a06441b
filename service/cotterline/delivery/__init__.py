"""What leaves the service and what comes back: the outbox's worker, signatures, the address guard, replies."""
