"""Answers kept under the keys of their requests go after a day, also where nobody calls any more."""

import pytest

from cotterline.delivery import sweeps
from cotterline.delivery.old_answers import OldAnswers
from cotterline.store.database import Database
from cotterline.store.kept_answers import KEPT
from tests.delivery.outbox import Clock
from tests.shops import Shops
from tests.store.test_kept_answers import ANSWER, NOON, ask

pytestmark = pytest.mark.anyio


async def test_they_are_kept_to_the_moment_their_time_is_over_in_every_shop(
    database: Database, shops_there: Shops, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweeps, "BATCH", 2)
    for shop in shops_there:
        for key in "abc":
            await ask(database, shop.tenant, key)
        await ask(database, shop.tenant, "late", now=NOON + KEPT / 2)
    assert await OldAnswers(database, Clock(NOON + KEPT * 0.99)).sweep() == 0
    assert await OldAnswers(database, Clock(NOON + KEPT)).sweep() == 9
    for shop in shops_there:
        assert await ask(database, shop.tenant, "a", b"another", NOON + KEPT) is None
        assert await ask(database, shop.tenant, "late", now=NOON + KEPT) == ANSWER
