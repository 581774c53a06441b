"""The files for partners are what the service makes of them, and their signatures hold by the published library."""

from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import patch

import msgspec
import pytest
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from cotterline.api.signature_vectors import SignatureVector
from cotterline.bench.errors import CotterlineError
from cotterline.cli.examples import written
from cotterline.delivery.signatures import verified
from tests.command_line import run

KEPT = Path(__file__).parents[2] / "openapi"
VECTORS = msgspec.json.decode((KEPT / "signature_vectors.json").read_bytes(), type=list[SignatureVector])
GENUINE = [vector for vector in VECTORS if vector.genuine]
FORGED = [vector for vector in VECTORS if not vector.genuine]


def verify(vector: SignatureVector) -> str:
    now = datetime.fromtimestamp(vector.now, UTC)
    return verified(vector.secrets, vector.headers, vector.body.encode(), now)


def published(vector: SignatureVector) -> bool:
    """Whether the published library takes it, by one of the secrets."""
    fixed = datetime.fromtimestamp(vector.now, UTC)
    with patch("standardwebhooks.webhooks.datetime", wraps=datetime) as clock:
        clock.now.return_value = fixed
        for secret in vector.secrets:
            try:
                Webhook(secret).verify(vector.body, vector.headers, json_parse=False)
            except (
                WebhookVerificationError,
                ValueError,
            ):  # some that are badly formed it meets with an error of its own
                continue
            return True
    return False


def test_the_files_are_what_the_command_writes(tmp_path: Path) -> None:
    assert run("examples", str(tmp_path), folder=tmp_path).returncode == 0
    made = {path.relative_to(tmp_path).as_posix(): path.read_bytes() for path in tmp_path.rglob("*.json")}
    assert made == dict(written())
    kept = {path.relative_to(KEPT).as_posix(): path.read_bytes() for path in (KEPT / "examples").iterdir()}
    kept["signature_vectors.json"] = (KEPT / "signature_vectors.json").read_bytes()
    assert kept == made, "run: cotterline examples openapi"


def test_there_are_enough_of_either_kind_each_with_a_name_and_a_reason() -> None:
    assert len(GENUINE) >= 8
    assert len(FORGED) >= 10
    assert len({vector.name for vector in VECTORS}) == len(VECTORS)
    assert all(vector.name and vector.why.endswith(".") for vector in VECTORS)


def test_the_published_vector_is_among_them() -> None:
    # Standard Webhooks, libraries' own test vector.
    assert GENUINE[0].headers["webhook-signature"] == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    assert GENUINE[0].secrets == ("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",)


@pytest.mark.parametrize("vector", GENUINE, ids=lambda vector: vector.name)
def test_a_genuine_message_verifies_here_and_by_the_published_library(vector: SignatureVector) -> None:
    assert verify(vector) == vector.headers["webhook-id"]
    assert published(vector)


@pytest.mark.parametrize("vector", FORGED, ids=lambda vector: vector.name)
def test_a_forged_message_is_refused_here_and_by_the_published_library(vector: SignatureVector) -> None:
    with pytest.raises(CotterlineError) as refused:
        verify(vector)
    assert refused.value.code == "signature-refused"
    assert not published(vector)
