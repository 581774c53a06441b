"""A service elsewhere, asked again and again while it is away: what is asked here can be asked twice without harm."""

import http.client
import time
from collections.abc import Mapping
from email.message import Message
from typing import Final, NamedTuple
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit
from urllib.request import HTTPRedirectHandler, Request, build_opener

import msgspec

ANSWER_SECONDS: Final = 60.0
"""How long a service may be silent before the connection counts as lost."""

FIRST_WAIT: Final = 0.5
LONGEST_WAIT: Final = 30.0
"""Seconds between two tries, doubled from the first to the longest while nothing is heard."""

PATIENCE: Final = 600.0
"""Seconds without any answer after which it is given up."""

PASSING: Final = frozenset({408, 429, 502, 503, 504})
"""Statuses of what may well succeed another time (RFC 9110, section 15; RFC 6585)."""

MOST_AFTER: Final = 300.0
"""Longest that a service may have us wait, seconds."""


class Answer(NamedTuple):
    """What a service said."""

    status: int
    headers: Message
    body: bytes

    @property
    def again_after(self) -> float | None:
        """Seconds after which it wants to be asked again, if it says so."""
        told = self.headers.get("Retry-After", "")
        return min(float(told), MOST_AFTER) if told.isascii() and told.isdecimal() else None


class NotAnsweredError(Exception):
    """Nothing was heard for as long as patience lasts."""


class DeclinedError(Exception):
    """The service answered, and will not do it."""

    def __init__(self, answer: Answer) -> None:
        super().__init__(_words(answer))
        self.answer = answer


class _Problem(msgspec.Struct):
    title: str = ""
    detail: str = ""
    errors: list[dict[str, str]] = []


def _words(answer: Answer) -> str:
    """What went wrong, by the problem document (RFC 9457) if there is one."""
    try:
        problem = msgspec.json.decode(answer.body, type=_Problem)
    except (msgspec.DecodeError, UnicodeError):
        return f"status {answer.status}"
    reasons = [" ".join(filter(None, (each.get("pointer"), each.get("detail")))) for each in problem.errors]
    return " ".join([f"{problem.title}: {problem.detail}" if problem.detail else problem.title, *reasons])


class _Stay(HTTPRedirectHandler):
    """Follow nobody: the key is for this service alone."""

    def redirect_request(self, *_: object) -> None:
        """Take the redirection for the answer."""


class Patience:
    """Waits between two tries, longer each time, until it is over.

    Args:
        seconds: for how long.
    """

    def __init__(self, seconds: float) -> None:
        self._end = time.monotonic() + seconds
        self._pause = FIRST_WAIT

    def wait(self, words: str, seconds: float | None = None) -> None:
        """Wait before the next try, for as many seconds as were asked for.

        Raises:
            NotAnsweredError: it is over, with what went wrong.
        """
        wait = self._pause if seconds is None else seconds
        if time.monotonic() + wait > self._end:
            raise NotAnsweredError(words)
        time.sleep(wait)
        self._pause = min(2 * self._pause, LONGEST_WAIT)


class RemoteService:
    """The service at an address.

    Args:
        url: its address, ``http://`` or ``https://``.
        key: shown with every request.
        patience: seconds without any answer after which it is given up.

    Raises:
        ValueError: the address is none.
    """

    def __init__(self, url: str, key: str, patience: float = PATIENCE) -> None:
        parts = urlsplit(url)
        if parts.scheme not in {"http", "https"} or not parts.hostname or parts.query or parts.fragment:
            raise ValueError("must be an address such as https://bench.example")
        self.url = url.rstrip("/")
        self._key, self._patience = key, patience
        self._opener = build_opener(_Stay)

    def ask(
        self, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> Answer:
        """The answer, whatever its status, once there is one; while the service is away or busy it is asked again.

        Raises:
            NotAnsweredError: patience is over.
        """
        patience = self.patience()
        while True:
            answer, words = self.try_once(method, path, body, headers)
            if answer and answer.status not in PASSING:
                return answer
            patience.wait(words, answer and answer.again_after)

    def patience(self) -> "Patience":
        """As much as this service is shown, from now on."""
        return Patience(self._patience)

    def try_once(
        self, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> tuple[Answer | None, str]:
        """The answer, if there is one, and what went wrong."""
        try:
            answer = self._ask(method, path, body, headers)
        except (OSError, http.client.HTTPException) as error:
            return None, str(error) or type(error).__qualname__
        return answer, _words(answer)

    def _ask(self, method: str, path: str, body: bytes | None, headers: Mapping[str, str] | None) -> Answer:
        own = {"Authorization": f"Bearer {self._key}", **(headers or {})}
        request = Request(self.url + path, body, own, method=method)  # noqa: S310 - the scheme was checked
        try:
            with self._opener.open(request, timeout=ANSWER_SECONDS) as response:
                return Answer(response.status, response.headers, response.read())
        except HTTPError as error:
            with error:
                return Answer(error.code, error.headers, error.read())
        except URLError as error:
            raise error.reason if isinstance(error.reason, OSError) else OSError(str(error.reason)) from error
