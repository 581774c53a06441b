"""The doctor sees what is wrong with a real database and real settings, says what to do, and changes nothing."""

import asyncio
import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert, make_url, text, update
from uuid_utils.compat import uuid7

from cotterline.store import keys, migrate, receiver_secrets, tables
from cotterline.store.cipher import Cipher, made_key
from cotterline.store.database import Database
from cotterline.store.receiver_secrets import Use
from cotterline.store.tenancy import SERVICE, Party, ownership
from tests.command_line import run
from tests.conftest import Databases
from tests.delivery.outbox import enqueue, event, subscribe
from tests.shops import Shop

NOW = datetime.now(UTC)
DEPOT = Use("supplier", "Lower lock depot", "reply")


def look(url: str, folder: Path, status: int = 0, /, **given: str) -> Mapping[str, Sequence[Mapping[str, str]]]:
    """What the doctor finds, by what it is about."""
    said = run("doctor", "--json", folder=folder, COTTERLINE_DATABASE_URL=url, **given)
    assert (said.returncode, said.stderr) == (status, "")
    found: dict[str, list[Mapping[str, str]]] = {}
    for each in json.loads(said.stdout):
        assert bool(each["advice"]) == (each["weight"] != "ok"), each
        found.setdefault(each["about"], []).append(each)
    return found


def done(url: str, party: Party, *statements: Any) -> None:  # noqa: ANN401 - any statement
    async def work() -> None:
        database = await Database.open(url)
        async with database.write(party) as tx:
            for statement in statements:
                await tx.execute(statement)
        await database.close()

    asyncio.run(work())


def test_a_well_service_is_told_so_and_nothing_is_changed(database_url: str, tmp_path: Path) -> None:
    found = look(database_url, tmp_path, COTTERLINE_SECRET_KEYS=made_key())
    assert {each["weight"] for name, some in found.items() for each in some if name not in {"key", "files"}} == {"ok"}
    assert {"settings", "tables", "clock", "outbox", "runs", "keys", "secrets", "room"} <= {*found}
    assert "3 live" in found["keys"][0]["found"]
    assert [*tmp_path.iterdir()] == []
    file = Path(str(make_url(database_url).database))
    assert not file.with_name(f"{file.name}.secret-key").exists()
    said = run("doctor", folder=tmp_path, COTTERLINE_DATABASE_URL=database_url).stdout
    assert "ok    tables: at 00" in said
    assert str(make_url(database_url).password) not in said


def test_tables_of_another_version_are_told(empty_database_url: str, database_url: str, tmp_path: Path) -> None:
    file = make_url(empty_database_url)
    if file.drivername.startswith("sqlite"):
        (missing,) = look(empty_database_url, tmp_path, 1)["database"]
        assert "there is no " in missing["found"]
        assert not Path(str(file.database)).exists()
    else:
        (behind,) = look(empty_database_url, tmp_path, 1)["tables"]
        assert "cotterline migrate" in behind["advice"]
    asyncio.run(at_revision(database_url, "9999"))
    (ahead,) = look(database_url, tmp_path)["tables"]
    assert (ahead["weight"], ahead["found"]) == ("look", "at 9999, which this version does not know")
    asyncio.run(at_revision(database_url, "9999", "9999"))
    (left_behind,) = look(database_url, tmp_path, 1)["tables"]
    assert (left_behind["weight"], left_behind["found"]) == ("wrong", "at 9999, which this version does not know")


async def at_revision(url: str, revision: str, oldest_code: str = migrate.HELD_SINCE) -> None:
    database = await Database.open(url)
    async with database.write(SERVICE) as tx:
        words = "UPDATE alembic_version SET version_num = :revision, oldest_code = :oldest_code"
        await tx.execute(text(words).bindparams(revision=revision, oldest_code=oldest_code))
    await database.close()


@pytest.mark.parametrize(("minutes", "weight"), [(1, "ok"), (10, "look"), (90, "wrong")])
def test_what_is_due_too_long_is_told(
    database_url: str, shop_a: Shop, tmp_path: Path, minutes: int, weight: str
) -> None:
    async def work() -> None:
        database = await Database.open(database_url)
        name = await subscribe(database, shop_a.tenant, "https://till.example/events")
        await enqueue(database, shop_a.tenant, event(name, datetime.now(UTC) - timedelta(minutes=minutes)))
        await database.close()

    asyncio.run(work())
    (found,) = look(database_url, tmp_path, int(weight == "wrong"))["outbox"]
    assert found["weight"] == weight
    assert found["found"].startswith(f"1 due, the oldest since {minutes} min")
    off = update(tables.receivers).values(disabled_at=NOW, disabled_why="five days of failure")
    done(database_url, shop_a.tenant, off)
    (receiver,) = look(database_url, tmp_path, int(weight == "wrong"))["receiver"]
    assert "Tide mill, live: subscription" in receiver["found"]
    assert receiver["found"].endswith("five days of failure")


def test_keys_that_end_soon_or_are_not_used_are_told(database_url: str, shop_b: Shop, tmp_path: Path) -> None:
    async def issue(label: str, days: int) -> str:
        database = await Database.open(database_url)
        async with database.write(shop_b.tenant) as tx:
            order = keys.KeyOrder(label=label, scopes=frozenset({"read"}), expires_at=NOW + timedelta(days=days))
            made = await keys.issue(tx, order, key_id=uuid7(), now=NOW, actor="x")
        await database.close()
        return made

    secret = [asyncio.run(issue(label, days)) for label, days in (("soon", 3), ("later", 40))]
    told = [each["found"] for each in look(database_url, tmp_path)["key"]]
    assert [each for each in told if "soon" in each] == [each for each in told if "ends in 2 days" in each] != []
    assert not any("'later'" in each for each in told)
    assert sum("was not used for" in each for each in told) == 3  # those of every test's shops are of 2024
    assert not any(each[-30:] in "".join(told) for each in secret)


def test_secrets_that_no_key_opens_are_told_and_not_shown(database_url: str, shop_a: Shop, tmp_path: Path) -> None:
    right, other = made_key(), made_key()

    async def keep() -> None:
        database = await Database.open(database_url)
        async with database.write(shop_a.tenant) as tx:
            await receiver_secrets.keep(
                tx, Cipher([right]), DEPOT, "open sesame", secret_id=uuid7(), now=NOW, actor="x", overlap=timedelta(0)
            )
        await database.close()

    asyncio.run(keep())
    assert look(database_url, tmp_path, COTTERLINE_SECRET_KEYS=right)["secrets"][0]["found"] == "1, and all open"
    (shut,) = look(database_url, tmp_path, 1, COTTERLINE_SECRET_KEYS=other)["secrets"]
    assert (shut["weight"], shut["found"]) == ("wrong", "1 of 1 do not open")
    assert look(database_url, tmp_path, 1)["secrets"][0]["weight"] == "wrong"


def test_an_event_of_the_future_tells_of_a_clock_set_back(database_url: str, shop_a: Shop, tmp_path: Path) -> None:
    row = {"position": 1, "id": uuid7(), "type": "x", "resource_kind": "quote", "resource_id": "x", "sequence": 1}
    told = insert(tables.events).values(
        **row, **ownership(shop_a.tenant), at=datetime.now(UTC) + timedelta(hours=2), body=b"{}"
    )
    done(database_url, shop_a.tenant, told)
    first, *_ = look(database_url, tmp_path)["clock"]
    assert first["weight"] == "look"
    assert "in the future" in first["found"]


def test_a_run_that_nobody_works_on_is_told(database_url: str, shop_a: Shop, tmp_path: Path) -> None:
    run_id, now = uuid7(), datetime.now(UTC)
    common = {"run_id": run_id, **ownership(shop_a.tenant)}
    whole = {"created_at": now, "actor": "x", "bicycles_form": "json_lines", "answers_form": "json_lines", "version": 1}
    counts = dict.fromkeys(("received_bytes", "bicycles", "quoted", "refused"), 1) | {"parts": 2, "parts_done": 1}
    run_row = {"id": run_id, **ownership(shop_a.tenant), **whole, **counts, "derivation": False, "state": "working"}
    part = {**common, "number": 2, "lines_before": 0, "records_before": 0, "bicycles": 1, "state": "waiting"}
    done(
        database_url,
        shop_a.tenant,
        insert(tables.quote_runs).values(**run_row, received_all=True, worked_since=now - timedelta(minutes=4)),
        insert(tables.quote_run_parts).values(**part, attempts=0),
    )
    well = {"about": "runs", "weight": "ok", "found": "1 parts to be answered", "advice": ""}
    assert look(database_url, tmp_path)["runs"] == [well]
    done(database_url, shop_a.tenant, update(tables.quote_runs).values(changed_at=now - timedelta(minutes=40)))
    (stuck,) = look(database_url, tmp_path)["runs"]
    assert stuck["weight"] == "look"
    assert stuck["found"].startswith("1 parts to be answered, and nothing has come of one run for 4")
    held = update(tables.quote_run_parts).values(lease=uuid7(), leased_until=datetime.now(UTC) + timedelta(minutes=9))
    done(database_url, shop_a.tenant, held)
    assert look(database_url, tmp_path)["runs"] == [well]


@pytest.mark.parametrize("backend", ["sqlite"])
def test_settings_of_a_trial_are_told_where_others_reach_the_service(database_url: str, tmp_path: Path) -> None:
    trial: dict[str, str] = {
        "COTTERLINE_PRACTICE_SUPPLIER": "http://127.0.0.1:9",
        "COTTERLINE_OPEN_NETWORKS": "127.0.0.0/8",
    }
    assert {each["weight"] for each in look(database_url, tmp_path, 0, **trial)["settings"]} == {"ok"}
    reached = look(database_url, tmp_path, 0, **trial, COTTERLINE_PUBLIC_BASE_URL="http://bench.example")["settings"]
    assert [each["weight"] for each in reached] == ["look"] * 4 + ["ok"]
    wrong = look(database_url, tmp_path, 1, COTTERLINE_PRT="8000")["settings"]
    assert wrong[0]["found"] == "COTTERLINE_PRT: is no setting; COTTERLINE_PORT is"


@pytest.mark.parametrize("backend", ["sqlite"])
def test_a_file_that_others_may_read_is_told(database_url: str, tmp_path: Path) -> None:
    file = Path(str(make_url(database_url).database))
    file.chmod(0o600)
    assert "files" not in look(database_url, tmp_path)
    file.chmod(0o640)
    assert look(database_url, tmp_path)["files"][0]["advice"] == f"chmod 600 {file}"


@pytest.mark.parametrize("backend", ["postgresql"])
def test_a_database_that_cannot_serve_so_many_is_told(database_url: str, databases: Databases, tmp_path: Path) -> None:
    del databases
    told = look(database_url, tmp_path, 1, COTTERLINE_DATABASE_CONNECTIONS="450")["connections"]
    assert told[0]["weight"] == "wrong"
    nobody = make_url(database_url).set(port=1).render_as_string(hide_password=False)
    (away,) = look(nobody, tmp_path, 1)["database"]
    assert "***" in away["found"]
