"""Keys are made, and secrets encrypted anew, by the installed command."""

import asyncio
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography.fernet import Fernet
from uuid_utils.compat import uuid7

from cotterline.store import receiver_secrets
from cotterline.store.cipher import Cipher
from cotterline.store.database import Database
from cotterline.store.receiver_secrets import Use
from cotterline.store.tenancy import Tenant
from tests.command_line import run
from tests.shops import Shop

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
DEPOT = Use("supplier", "Lower lock depot", "reply")


def made_key(folder: Path) -> str:
    made = run("secrets", "key", folder=folder)
    assert made.returncode == 0, made.stderr
    Fernet(made.stdout.strip())
    return made.stdout.strip()


async def keep(url: str, tenant: Tenant, cipher: Cipher) -> None:
    database = await Database.open(url)
    async with database.write(tenant) as tx:
        await receiver_secrets.keep(
            tx, cipher, DEPOT, "open sesame", secret_id=uuid7(), now=NOON, actor="x", overlap=timedelta(0)
        )
    await database.close()


async def live(url: str, tenant: Tenant, cipher: Cipher) -> list[str]:
    database = await Database.open(url)
    async with database.read(tenant) as tx:
        found = [*await receiver_secrets.live(tx, cipher, DEPOT, NOON)]
    await database.close()
    return found


def test_no_key_is_made_twice(tmp_path: Path) -> None:
    assert made_key(tmp_path) != made_key(tmp_path)


def test_secrets_are_encrypted_anew_and_open_with_the_new_key_alone(
    database_url: str, shop_a: Shop, shop_b: Shop, tmp_path: Path
) -> None:
    old, new = made_key(tmp_path), made_key(tmp_path)
    for shop in (shop_a, shop_b):
        asyncio.run(keep(database_url, shop.tenant, Cipher([old])))
    lost = run("secrets", "re-encrypt", "--database", database_url, folder=tmp_path, COTTERLINE_SECRET_KEYS=new)
    assert lost.returncode == 1
    assert "None of the keys given opens a secret kept here." in lost.stderr
    keys = f"{new},{old}"
    done = run("secrets", "re-encrypt", "--database", database_url, folder=tmp_path, COTTERLINE_SECRET_KEYS=keys)
    assert (done.returncode, done.stdout) == (0, "2 secrets are encrypted with the first key.\n")
    for shop in (shop_a, shop_b):
        assert asyncio.run(live(database_url, shop.tenant, Cipher([new]))) == ["open sesame"]
    for said in (lost, done):
        assert old not in said.stdout + said.stderr
        assert new not in said.stdout + said.stderr


@pytest.mark.parametrize("backend", ["postgresql"])  # a new SQLite file gets its tables by itself
def test_a_worker_asks_for_the_tables_of_this_version(empty_database_url: str, tmp_path: Path) -> None:
    said = run("worker", "--database", empty_database_url, folder=tmp_path)
    assert said.returncode == 1
    assert "cotterline migrate" in said.stderr
