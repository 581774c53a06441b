"""Two hosts, one database, and whatever goes wrong between them: ``python -m tests.faults``."""
