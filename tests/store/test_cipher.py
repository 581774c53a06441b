"""What secrets are encrypted with: the operator's keys, or one kept in a file that nobody else may read."""

import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from cryptography.fernet import Fernet

from cotterline.bench.errors import CotterlineError
from cotterline.store.cipher import KEY_FILE, Cipher, made_key

POSTGRES = "postgresql://bench@db/cotterline"


def refused(cipher: Cipher, sealed: bytes, belongs_to: str = "here") -> str:
    with pytest.raises(CotterlineError) as caught:
        cipher.unseal(sealed, belongs_to)
    assert caught.value.code == "secrets-unavailable"
    return caught.value.detail


def test_what_was_sealed_opens_with_the_same_key_in_the_same_place_alone() -> None:
    cipher = Cipher([made_key()])
    sealed = cipher.seal("open sesame", "here")
    assert b"sesame" not in sealed
    assert cipher.unseal(sealed, "here") == "open sesame"
    assert "another place" in refused(cipher, sealed, "there")
    assert "None of the keys" in refused(Cipher([made_key()]), sealed)
    assert "None of the keys" in refused(cipher, sealed[:-1])


def test_the_same_text_is_never_sealed_alike() -> None:
    cipher = Cipher([made_key()])
    assert cipher.seal("open sesame", "here") != cipher.seal("open sesame", "here")


def test_the_first_key_seals_and_each_opens() -> None:
    old, new = made_key(), made_key()
    before = Cipher([old]).seal("open sesame", "here")
    both = Cipher([new, old])
    assert both.unseal(before, "here") == "open sesame"
    assert Cipher([new]).unseal(both.seal("later", "here"), "here") == "later"
    renewed = both.resealed(before)
    assert Cipher([new]).unseal(renewed, "here") == "open sesame"
    refused(Cipher([old]), renewed)


def test_without_a_key_nothing_is_sealed_or_opened() -> None:
    none = Cipher.of(POSTGRES, "")
    for work in (lambda: none.seal("x", "here"), lambda: none.unseal(b"", "here"), lambda: none.resealed(b"")):
        with pytest.raises(CotterlineError, match="COTTERLINE_SECRET_KEYS") as caught:
            work()
        assert caught.value.code == "secrets-unavailable"


def test_the_operators_keys_hold_on_either_database(tmp_path: Path) -> None:
    keys = [made_key(), made_key()]
    sealed = Cipher(keys).seal("open sesame", "here")
    for url in (POSTGRES, f"sqlite:///{tmp_path / 'a.sqlite3'}"):
        assert Cipher.of(url, ",".join(keys)).unseal(sealed, "here") == "open sesame"
    assert [*tmp_path.iterdir()] == []


def test_on_sqlite_a_key_is_made_once_beside_the_database_for_its_owner_alone(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'a.sqlite3'}"
    sealed = Cipher.of(url, "").seal("open sesame", "here")
    (file,) = tmp_path.iterdir()
    assert file.name == f"a.sqlite3{KEY_FILE}"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert Cipher.of(url, "").unseal(sealed, "here") == "open sesame"
    Fernet(file.read_text().strip())


def test_of_many_that_would_make_it_one_does_and_all_use_that(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'a.sqlite3'}"
    with ThreadPoolExecutor(16) as pool:
        ciphers = [*pool.map(lambda _: Cipher.of(url, ""), range(64))]
    sealed = ciphers[0].seal("open sesame", "here")
    assert {cipher.unseal(sealed, "here") for cipher in ciphers} == {"open sesame"}
    assert len([*tmp_path.iterdir()]) == 1


def test_what_the_file_sealed_opens_once_the_operator_gave_a_key_and_can_be_sealed_with_that(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'a.sqlite3'}"
    before = Cipher.of(url, "").seal("open sesame", "here")
    given = made_key()
    after = Cipher.of(url, given)
    assert after.unseal(before, "here") == "open sesame"
    assert Cipher([given]).unseal(after.resealed(before), "here") == "open sesame"
