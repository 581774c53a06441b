"""The API tells where the practice supplier is and what it can be told; every rule that is told is one there is."""

import pytest
from litestar.testing import TestClient

from cotterline.main import create_app
from cotterline.practice_supplier.rules import REPLY_SECRET, RULE_NAMES, SIGNING_SECRET, told_by
from tests.api.conftest import settings
from tests.sqlite import Files

PATH = "/v1/reference/practice-supplier"


@pytest.mark.parametrize(
    ("address", "endpoint"), [("", None), ("http://127.0.0.1:8001/", "http://127.0.0.1:8001/orders")]
)
def test_it_tells_the_endpoint_the_secrets_and_the_rules(
    sqlite_files: Files, address: str, endpoint: str | None
) -> None:
    served = settings(f"sqlite:///{sqlite_files.template}", practice_supplier=address.rstrip("/"))
    with TestClient(create_app(served)) as client:
        told = client.get(PATH).json()
    assert told.get("endpoint") == endpoint
    assert (told["signing_secret"], told["reply_secret"]) == (SIGNING_SECRET, REPLY_SECRET)
    assert sorted(each["rule"] for each in told["rules"]) == sorted(RULE_NAMES)
    assert told_by(f"Blue roadster [{' '.join(each['rule'] for each in told['rules'])}]").unknown == ()
