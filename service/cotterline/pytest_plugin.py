"""A plugin for pytest: this service in test mode with a practice supplier, for the tests of a partner's own program.

It is there wherever the package is installed beside pytest, and costs nothing until one of its fixtures is asked for.
Everything runs on this machine, in processes of its own, on a database in a temporary folder.
"""

import json
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final, NamedTuple
from urllib.parse import quote as escaped

import pytest

from cotterline.cli.booking_system import BookingSystem
from cotterline.cli.local_service import HOST, LocalPracticeSupplier, LocalService

SCOPES: Final = "read,quote,order,administer"
POLL_SECONDS: Final = 0.05
SHOP: Final = "Partner trial"


class Event(NamedTuple):
    """One event as it was posted, its signature verified.

    Attributes:
        headers: by their names in small letters.
        body: the bytes.
        told: what they say.
    """

    headers: Mapping[str, str]
    body: bytes
    told: Mapping[str, Any]


class TrialShop:
    """A shop in test mode on a service of its own.

    Attributes:
        url: of the service.
        key: lets in for everything, in test mode.
        practice: address, secrets and rules of the practice supplier, as it tells them itself.
    """

    def __init__(self, service: LocalService, key: str, supplier: LocalPracticeSupplier) -> None:
        self.url = service.url
        self.key = key
        self.practice: Mapping[str, Any] = json.loads(supplier.get("/"))
        self._orders = supplier.url + self.practice["orders"]
        self._service = service

    def get(self, path: str) -> Any:  # noqa: ANN401 - any document
        """Return the document at a path."""
        return json.loads(self._service.get(path))

    def make(self, path: str, document: object) -> Any:  # noqa: ANN401 - any document
        """Post a document that makes something, and return what was made."""
        return json.loads(self._service.post(path, json.dumps(document).encode()))

    def act(self, path: str, document: object) -> Any:  # noqa: ANN401 - any document
        """Do something with what is at a path, whatever its version."""
        return json.loads(self._service.act(path, json.dumps(document).encode()))

    def put(self, path: str, document: object) -> Any:  # noqa: ANN401 - any document
        """Put a document where none was."""
        return json.loads(self._service.put_new(path, "application/json", json.dumps(document).encode()))

    def order_from_practice(self, supplier: str) -> None:
        """Have the orders to a supplier of this name go to the practice supplier, which replies by their references."""
        path = f"/v1/suppliers/{escaped(supplier)}"
        self.put(path, {"endpoint": self._orders})
        for purpose, text in (("signing", "signing_secret"), ("reply", "reply_secret")):
            self.make(f"{path}/secrets", {"purpose": purpose, "text": self.practice[text]})

    def wait_for(self, path: str, name: str, value: object, *, seconds: float = 30) -> Any:  # noqa: ANN401 - any document
        """Return the document at a path once a member of it has a value.

        Raises:
            AssertionError: it had another one still after so many seconds.
        """
        end = time.monotonic() + seconds
        while (found := self.get(path)).get(name) != value:
            if time.monotonic() > end:
                raise AssertionError(f"{name} of {path} is {found.get(name)!r}, not {value!r}")
            time.sleep(POLL_SECONDS)
        return found


class HeardEvents:
    """The events of a trial shop since this began to listen."""

    def __init__(self, receiver: BookingSystem) -> None:
        self._receiver = receiver

    @property
    def all(self) -> list[Event]:
        """Every event that came, each with a signature that holds."""
        return [Event(each.headers, each.body, json.loads(each.body)) for each in self._receiver.told if each.genuine]

    def wait_for(self, kind: str, *, seconds: float = 30) -> Event:
        """Return the first event of a type.

        Raises:
            AssertionError: none came in so many seconds.
        """
        end = time.monotonic() + seconds
        while not (found := [each for each in self.all if each.told["type"] == kind]):
            if time.monotonic() > end:
                raise AssertionError(f"no {kind} came, but {[each.told['type'] for each in self.all]}")
            time.sleep(POLL_SECONDS)
        return found[0]


@pytest.fixture(scope="session")
def cotterline_shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TrialShop]:
    """A shop in test mode on a service of its own, with a practice supplier; one for all tests of a session."""
    folder = tmp_path_factory.mktemp("cotterline")
    with ExitStack() as running:
        supplier = running.enter_context(LocalPracticeSupplier(folder))
        key = _new_key(folder)
        around = {"COTTERLINE_OPEN_NETWORKS": f"{HOST}/32", "COTTERLINE_PRACTICE_SUPPLIER": supplier.url}
        no_limits = {f"COTTERLINE_{name}RATE_PER_MINUTE": "0" for name in ("", "SHOP_")}
        service = running.enter_context(LocalService(folder, key, around | no_limits))
        yield TrialShop(service, key, supplier)


@pytest.fixture
def cotterline_events(cotterline_shop: TrialShop) -> Iterator[HeardEvents]:
    """What the trial shop tells of while a test runs."""
    with BookingSystem() as receiver:
        receiver.secret = cotterline_shop.make("/v1/subscriptions", {"endpoint": receiver.url})["secret"]
        yield HeardEvents(receiver)


def _new_key(folder: Path) -> str:
    _run(folder, "shop", "add", SHOP)
    return _run(folder, "key", "issue", "--shop", SHOP, "--label", "tests", "--scopes", SCOPES, "--mode", "test")


def _run(folder: Path, *command: str) -> str:
    program = (sys.executable, "-P", "-m", "cotterline.cli", *command)
    done = subprocess.run(program, cwd=folder, capture_output=True, text=True, check=True)  # noqa: S603 - this very program
    return done.stdout.strip()
