"""Readers of what strangers send, handed bytes that nobody would send; ``python -m tests.fuzz``."""
