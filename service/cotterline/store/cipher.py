"""What secrets are encrypted with: the operator's keys, or on SQLite one of the service's own in a file.

Each is sealed by Fernet (AES-128-CBC with HMAC-SHA-256, pyca/cryptography's specification of 2013) together with what
it belongs to, so that a row copied to another shop or receiver does not open there.
"""

import os
from collections.abc import Sequence
from pathlib import Path
from tempfile import mkstemp
from typing import Final, Self

import msgspec
from cryptography.fernet import Fernet, InvalidToken, MultiFernet

from cotterline.bench.errors import CotterlineError
from cotterline.store.address import driver_url

KEY_FILE: Final = ".secret-key"
"""Ending of the file beside an SQLite database that holds the key its secrets are encrypted with."""


class _Sealed(msgspec.Struct, frozen=True, array_like=True, forbid_unknown_fields=True):
    belongs_to: str
    text: str


class Cipher:
    """Seals and opens the texts of secrets. The first of its keys seals, each can open; with none it can do neither."""

    def __init__(self, keys: Sequence[str]) -> None:
        self._fernet = MultiFernet([Fernet(key) for key in keys]) if keys else None

    @classmethod
    def of(cls, database_url: str, secret_keys: str) -> Self:
        """Return the cipher for a database.

        Args:
            database_url: where the secrets are kept. Beside an SQLite file a key is made where the operator gave none,
                and one that is there already still opens what it sealed once he did.
            secret_keys: the operator's keys, with commas between.
        """
        given = [key for key in secret_keys.split(",") if key]
        address = driver_url(database_url)
        if address.get_backend_name() == "sqlite":
            file = key_file(database_url)
            given += [_kept_key(file)] if not given or file.exists() else []
        return cls(given)

    def seal(self, text: str, belongs_to: str) -> bytes:
        """Return the text as it may be kept.

        Raises:
            CotterlineError: ``secrets-unavailable``, without a key.
        """
        return self._keyed().encrypt(msgspec.json.encode(_Sealed(belongs_to, text)))

    def unseal(self, sealed: bytes, belongs_to: str) -> str:
        """Return the text again.

        Raises:
            CotterlineError: ``secrets-unavailable``, without the key it was sealed with, or where it was sealed as
                something else's.
        """
        try:
            found = msgspec.json.decode(self._keyed().decrypt(sealed), type=_Sealed)
        except InvalidToken:
            raise CotterlineError("secrets-unavailable", "None of the keys given opens a secret kept here.") from None
        if found.belongs_to != belongs_to:
            raise CotterlineError("secrets-unavailable", "A secret kept here was encrypted for another place.")
        return found.text

    def resealed(self, sealed: bytes) -> bytes:
        """Return what was sealed with any key, sealed with the first.

        Raises:
            CotterlineError: ``secrets-unavailable``, as :meth:`unseal`.
        """
        try:
            return self._keyed().rotate(sealed)
        except InvalidToken:
            raise CotterlineError("secrets-unavailable", "None of the keys given opens a secret kept here.") from None

    def _keyed(self) -> MultiFernet:
        if self._fernet is None:
            raise CotterlineError("secrets-unavailable", "The operator must set COTTERLINE_SECRET_KEYS.")
        return self._fernet


def key_file(database_url: str) -> Path:
    """Return the file that holds the service's own key for an SQLite database, whether it is there or not.

    >>> str(key_file("sqlite:///bench.sqlite3"))
    'bench.sqlite3.secret-key'
    """
    return Path(f"{driver_url(database_url).database}{KEY_FILE}")


def made_key() -> str:
    """Return a new key for COTTERLINE_SECRET_KEYS."""
    return Fernet.generate_key().decode("ascii")


def _kept_key(file: Path) -> str:
    """The key in the file, which only its owner may read; of two processes that would make it, one does.

    It is written whole under another name first: nobody ever sees half a key.
    """
    if not file.exists():
        made, name = mkstemp(prefix=file.name, dir=file.parent)  # mode 0600
        with os.fdopen(made, "w", encoding="ascii") as written:
            written.write(made_key() + "\n")
            written.flush()
            os.fsync(written.fileno())
        try:
            file.hardlink_to(name)
        except FileExistsError:
            pass  # another process was faster, and its key is the one that holds
        finally:
            Path(name).unlink()
    return file.read_text("ascii").strip()
