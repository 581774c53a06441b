"""A quote's life at any time: it expires by itself, of two changes one takes place, and no course leaves the table."""

import asyncio
from collections.abc import Coroutine
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test
from uuid_utils.compat import uuid7

from cotterline.api import examples
from cotterline.api.caller import Caller
from cotterline.api.kept_quote import HeldQuote
from cotterline.api.quote_changes import MAX_REVISIONS, QuoteChange, find
from cotterline.api.quote_requests import QuotePatch, TransitionRequest
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quote_life import QuoteAction, QuoteState
from cotterline.bench.quotes import QuoteRequest
from cotterline.store import approvals, audit, quote_revisions, quote_transitions
from cotterline.store.database import Database
from cotterline.store.tenancy import SCOPES
from tests.api.agreed import agreed
from tests.bench.test_quote_life import ACTIONS, ALLOWED
from tests.shops import Shop

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)


class Desk:
    """Quotes changed in their own transactions, at any time."""

    def __init__(self, database: Database, shop: Shop) -> None:
        self.database = database
        self.caller = Caller(shop.tenant, "key", frozenset(SCOPES))
        self.ceiling = 100

    async def make(self, now: datetime) -> HeldQuote:
        """Make a quote."""
        async with self.database.write(self.caller.tenant) as tx:
            return await QuoteChange(tx, self.caller, now).make(examples.typed("whole_job", QuoteRequest), uuid7())

    async def find(self, held: HeldQuote) -> HeldQuote:
        """Read it again."""
        async with self.database.read(self.caller.tenant) as tx:
            return await find(tx, held.quote.id)

    async def act(self, held: HeldQuote, action: QuoteAction, now: datetime, tag: str = "*") -> HeldQuote:
        """Do something with it; issued, it holds for ten days."""
        async with self.database.write(self.caller.tenant) as tx:
            more = {"valid_days": 10} if action == "issue" else self.agreed(action)
            asked = msgspec.convert({"action": action, **more}, TransitionRequest)
            return await QuoteChange(tx, self.caller, now).act(held.quote.id, tag, asked)

    def agreed(self, action: QuoteAction) -> dict[str, Any]:
        """What the customer agreed to: each time more."""
        self.ceiling += 1
        return agreed(action, str(self.ceiling))

    async def patch(self, held: HeldQuote, patch: QuotePatch, now: datetime) -> HeldQuote:
        """Patch whatever version there is."""
        async with self.database.write(self.caller.tenant) as tx:
            return await QuoteChange(tx, self.caller, now).patch(held.quote.id, "*", patch)


@pytest.mark.anyio
async def test_an_issued_quote_expires_by_itself(database: Database, shop_a: Shop) -> None:
    desk = Desk(database, shop_a)
    held = await desk.act(await desk.make(NOON), "issue", NOON)
    before, after = NOON + timedelta(days=10, microseconds=-1), NOON + timedelta(days=10)
    assert (held.state(before), held.state(after)) == ("issued", "expired")
    assert held.etag(before) != held.etag(after)
    with pytest.raises(CotterlineError) as refusal:
        await desk.act(held, "approve", after)
    assert refusal.value.code == "wrong-state"
    with pytest.raises(CotterlineError) as refusal:
        await desk.act(held, "revise", after, held.etag(before))
    assert refusal.value.code == "precondition-failed"
    revised = await desk.act(held, "revise", after, held.etag(after))
    assert (revised.state(after), revised.quote.expires_at) == ("draft", None)
    async with database.read(shop_a.tenant) as tx:
        *_, last = await quote_transitions.every(tx, held.quote.id)
    assert (last.from_state, last.to_state) == ("expired", "draft")


@pytest.mark.anyio
async def test_a_quote_has_an_end_of_revisions(
    database: Database, shop_a: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert MAX_REVISIONS == 200
    monkeypatch.setattr("cotterline.api.quote_changes.MAX_REVISIONS", 2)
    desk = Desk(database, shop_a)
    held = await desk.act(await desk.make(NOON), "revise", NOON)
    with pytest.raises(CotterlineError, match="another quote"):
        await desk.act(held, "revise", NOON)


@pytest.mark.anyio
async def test_each_change_is_in_the_audit_trail(database: Database, shop_a: Shop) -> None:
    desk = Desk(database, shop_a)
    held = await desk.act(await desk.make(NOON), "issue", NOON)
    await desk.patch(held, QuotePatch(reference="hook 9"), NOON)
    await desk.patch(held, QuotePatch(request={"drivetrain": None}), NOON)
    async with database.read(shop_a.tenant) as tx:
        found = await audit.page(tx, None, 10, str(held.quote.id))
    done = [(entry.action, entry.actor, msgspec.json.decode(entry.detail)["revision"]) for entry in found.entries]
    assert sorted(done) == [
        ("quote.changed", "key", 1),
        ("quote.created", "key", 1),
        ("quote.issued", "key", 1),
        ("quote.revised", "key", 2),
    ]


@pytest.mark.anyio
async def test_of_acts_at_the_same_time_one_takes_place(database: Database, shop_a: Shop) -> None:
    desk = Desk(database, shop_a)
    held = await desk.act(await desk.make(NOON), "issue", NOON)
    actions: tuple[QuoteAction, ...] = ("approve", "decline", "expire", "close", "revise") * 4
    tries = [desk.act(held, action, NOON, held.etag(NOON)) for action in actions]
    outcomes = await asyncio.gather(*tries, return_exceptions=True)
    refusals = [outcome.code for outcome in outcomes if isinstance(outcome, CotterlineError)]
    assert refusals == ["precondition-failed"] * (len(actions) - 1)
    async with database.read(shop_a.tenant) as tx:
        assert len(await quote_transitions.every(tx, held.quote.id)) == 2
        assert len(await quote_revisions.every(tx, held.quote.id)) == (await find(tx, held.quote.id)).quote.revision


class Life(RuleBasedStateMachine):
    """A quote's life beside a model of it that knows only the table written out by hand."""

    runner: asyncio.Runner
    desk: Desk

    @initialize()
    def make(self) -> None:
        """Begin as a draft."""
        self.now = NOON
        self.held = self.runner.run(self.desk.make(self.now))
        self.state: QuoteState = "draft"
        self.expires: datetime | None = None
        self.acts, self.revisions = 0, 1

    def _try(self, change: Coroutine[Any, Any, HeldQuote]) -> bool:
        """Make a change; gives whether it was allowed."""
        try:
            self.held = self.runner.run(change)
        except CotterlineError as error:
            if error.code != "wrong-state":
                raise
            return False
        self.acts += 1
        return True

    @rule(action=st.sampled_from(ACTIONS))
    def act(self, action: QuoteAction) -> None:
        """Do anything."""
        allowed = ALLOWED[self.state]
        assert self._try(self.desk.act(self.held, action, self.now)) == (action in allowed)
        if action in allowed:
            self.state = allowed[action]
            self.revisions += action == "revise"
            self.expires = self.now + timedelta(days=10) if action == "issue" else None

    @rule(value=st.sampled_from([110, 113, 115]))
    def measure_again(self, value: int) -> None:
        """Change a measurement."""
        patch = QuotePatch(request={"spindle": {"crank": {"distance": {"value": value}}}})
        allowed = "revise" in ALLOWED[self.state]
        assert self._try(self.desk.patch(self.held, patch, self.now)) == allowed
        if allowed:
            self.state, self.expires = "draft", None
            self.revisions += 1

    @rule(days=st.integers(1, 12))
    def wait(self, days: int) -> None:
        """Let time pass."""
        self.now += timedelta(days=days)
        if self.state == "issued" and self.expires and self.expires <= self.now:
            self.state = "expired"

    @invariant()
    def what_is_kept_is_what_the_model_says(self) -> None:
        """Read everything again."""
        found = self.runner.run(self.desk.find(self.held))
        assert found.state(self.now) == self.state
        assert found.quote.revision == self.revisions
        assert self.runner.run(self._counts()) == (self.acts, self.revisions, self.state in {"approved", "ordered"})

    async def _counts(self) -> tuple[int, int, int]:
        async with self.desk.database.read(self.desk.caller.tenant) as tx:
            acts = await quote_transitions.every(tx, self.held.quote.id)
            revisions = await quote_revisions.every(tx, self.held.quote.id)
            agreed_to = await approvals.every(tx, self.held.quote.id)
        return len(acts), len(revisions), len([row for row in agreed_to if row.ended_at is None])


def test_no_course_of_events_leaves_the_table(database_url: str, shop_a: Shop) -> None:
    with asyncio.Runner() as runner:
        database = runner.run(Database.open(database_url))
        bound = type("BoundLife", (Life,), {"runner": runner, "desk": Desk(database, shop_a)})
        run_state_machine_as_test(bound, settings=settings(max_examples=25, stateful_step_count=15))
        runner.run(database.close())
