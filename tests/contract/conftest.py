"""What the tests of the contract share: the tools that run on Node, installed once for all of them."""

import pytest

from tests.contract import node

collect_ignore = ["drivers"]
"""Programs written against generated clients, which are nowhere but in the tests that run them."""


@pytest.fixture(scope="package", autouse=True)
def installed() -> None:
    """Install the tools."""
    node.install()
