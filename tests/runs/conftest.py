"""The service in process, for what a run's answers are held against."""

from tests.api.conftest import client

__all__ = ["client"]
