"""cotterline: bottom-bracket threads, spindle lengths and chain lines as a service for bicycle workshops."""

__version__ = "0.1.0"
