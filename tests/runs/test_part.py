"""One part: a run answers with the bytes of the stream, and fails at one bicycle at a time."""

import json
import re
from pathlib import Path
from typing import Any
from uuid import uuid4

import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples, workshops
from cotterline.api.bicycles.bike import Bike, answer
from cotterline.api.bicycles.parts import Cutter
from cotterline.api.edge import Edge
from cotterline.api.problems import Call
from cotterline.bench.labour.book import LabourBook
from cotterline.bench.labour.learning import LabourTime
from cotterline.bench.shop_profile import ShopProfile
from cotterline.bench.spindle.offset import OffsetReport
from cotterline.bench.workshop import Workshop
from cotterline.runs.part import RunBench, StoppedError, answered
from cotterline.store import quote_run_inputs
from cotterline.store.database import Database
from cotterline.store.quote_run_claims import ClaimedPart, WaitingRun
from cotterline.store.quote_run_inputs import QuoteRunInputs, unpacked
from cotterline.store.quote_runs import BicycleForm
from cotterline.store.tenancy import Tenant
from tests.api.ordering import set_parts, set_prices
from tests.runs.upload import LINE, lines
from tests.shops import Shop
from tests.store.running import made

pytestmark = pytest.mark.anyio

FIXTURES = Path(__file__).parents[2] / "demo_fixtures"
TABLE = (FIXTURES / "bikes.csv").read_bytes() + b'"stray"quote\nshort,row\n\n'
IN_LATIN_1 = "reference,shell_width\nFähre,68\nsecond,68\n".encode("latin-1")
ODD = b"\xef\xbb\xbf" + LINE + b"\r\n{\n" + b'{"x":"' + b"y" * (1 << 20) + b'"}\n\n' + LINE.strip()
MEDIA: dict[BicycleForm, str] = {"json_lines": "application/x-ndjson", "csv": "text/csv"}
URN = re.compile(rb"urn:uuid:[0-9a-f-]{36}")


def claimed(tenant: Tenant, form: BicycleForm, answers: BicycleForm, upload: bytes, **run: Any) -> list[ClaimedPart]:  # noqa: ANN401 -- any member
    """The parts of an upload as a worker claims them."""
    whose = WaitingRun(
        id=uuid4(), tenant=tenant, bicycles_form=form, answers_form=answers, derivation=run.get("derivation", False)
    )
    parts = Cutter(form).take(upload, last=True).parts
    own: dict[str, Any] = {"run": whose, "attempts": 1, "lease": uuid4()}
    return [ClaimedPart(**msgspec.structs.asdict(one), number=n, **own) for n, one in enumerate(parts, start=1)]


def heading(form: BicycleForm, upload: bytes) -> bytes:
    return Cutter(form).take(upload, last=True).left.heading


def kit(form: BicycleForm, upload: bytes, workshop: Workshop | None, base_url: str = "") -> RunBench:
    return RunBench(heading=heading(form, upload), workshop=workshop, call=Call(str(uuid4()), base_url))


def goes_on() -> bool:
    return True


@pytest.mark.parametrize(
    ("form", "upload"),
    [("json_lines", lines(300, 1)), ("json_lines", ODD), ("csv", TABLE), ("csv", IN_LATIN_1)],
)
@pytest.mark.parametrize("answers", ["json_lines", "csv"])
@pytest.mark.parametrize("derivation", [False, True])
@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)  # what is kept of a workshop is held on both below
async def test_a_run_answers_with_the_bytes_of_the_stream(  # noqa: PLR0913, PLR0917 -- the rows of the table
    client: TestClient[Edge],
    database: Database,
    shop_a: Shop,
    form: BicycleForm,
    upload: bytes,
    answers: BicycleForm,
    derivation: bool,  # noqa: FBT001 - a row of the table
) -> None:
    set_parts(client)
    set_prices(client)
    path = f"/v1/quotes/stream?derivation={str(derivation).lower()}"
    headers = {"Content-Type": MEDIA[form], "Accept": MEDIA[answers]}
    streamed = client.post(path, content=upload, headers=headers).content
    async with database.read(shop_a.tenant) as tx:
        kept = msgspec.msgpack.encode((await workshops.read(tx)).workshop)
    bench = kit(form, upload, msgspec.msgpack.decode(kept, type=Workshop))
    found = [
        answered(one, bench, goes_on) for one in claimed(shop_a.tenant, form, answers, upload, derivation=derivation)
    ]
    told = b"".join(unpacked(one.answer) for one in found)
    summary = streamed.splitlines(keepends=True)[-1]
    assert told
    assert URN.sub(b"", told) in URN.sub(b"", streamed)
    assert len(streamed) == len(told) + len(summary) + (streamed.index(b"\r\n") + 2 if answers == "csv" else 0)
    counts = sum(one.quoted for one in found), sum(one.refused for one in found)
    assert (
        f"{counts[0]} quoted, {counts[1]} refused".encode() in summary
        or (
            json.loads(summary)["summary"]["quoted"],
            json.loads(summary)["summary"]["refused"],
        )
        == counts
    )


async def test_a_workshop_is_kept_as_it_is(client: TestClient[Edge], database: Database, shop_a: Shop) -> None:
    set_parts(client)
    set_prices(client)
    async with database.read(shop_a.tenant) as tx:
        own = (await workshops.read(tx)).workshop
    settings = json.loads((FIXTURES / "settings.json").read_text())
    offset = OffsetReport(crank="three arms", rings=2, taper="jis", offset_mm=-12.25, sd_mm=0.7)
    whole = Workshop(
        profile=msgspec.convert(settings, ShopProfile),
        book=msgspec.json.decode(examples.read("labour_book"), type=LabourBook),
        times=(LabourTime(operation="intake_and_measuring", minutes=31.5),),
        parts=own.parts,
        price_lists=own.price_lists,
        offsets=(offset,),
    )
    assert whole.parts
    assert whole.price_lists
    run = await made(database, shop_a.tenant, whole)
    async with database.read(shop_a.tenant) as tx:
        kept = await quote_run_inputs.get(tx, run.id)
    assert kept == QuoteRunInputs(run_id=run.id, base_url="https://bench.example", workshop=whole)


def test_a_bicycle_that_we_fail_at_is_refused_and_the_others_go_on(
    tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(bicycle: Bike, workshop: Workshop, *, derivation: bool) -> Any:  # noqa: ANN401 -- as it is
        if bicycle.request.reference == "hook 2":
            raise ZeroDivisionError("not a word of this goes out")
        return answer(bicycle, workshop, derivation=derivation)

    monkeypatch.setattr("cotterline.runs.part.answer", failing)
    (one,) = claimed(tenant, "json_lines", "json_lines", lines(3))
    found = answered(one, kit("json_lines", b"", Workshop(), "https://bench.example"), goes_on)
    assert (found.quoted, found.refused) == (2, 1)
    first, second, third = [json.loads(line) for line in unpacked(found.answer).splitlines()]
    assert (first["place"], third["place"]) == ("line 1", "line 3")
    assert "result" in first
    assert "result" in third
    assert (second["place"], second["reference"]) == ("line 2", "hook 2")
    assert second["problem"]["type"] == "https://bench.example/problems/internal-error"
    assert "not a word" not in str(second)


def test_without_a_workshop_every_bicycle_is_refused_in_its_place(tenant: Tenant) -> None:
    (one,) = claimed(tenant, "csv", "json_lines", TABLE)
    found = answered(one, kit("csv", TABLE, None), goes_on)
    assert (found.quoted, found.refused) == (0, one.bicycles)
    told = [json.loads(line) for line in unpacked(found.answer).splitlines()]
    assert [line["place"] for line in told] == [f"row {n}" for n in range(2, one.bicycles + 2)]
    assert told[0]["problem"]["type"] == "/problems/internal-error"
    assert told[0]["reference"]


def test_a_part_is_left_between_two_bicycles(tenant: Tenant) -> None:
    asked: list[bool] = []

    def twice() -> bool:
        asked.append(True)
        return len(asked) < 3

    (one,) = claimed(tenant, "json_lines", "json_lines", lines(9))
    with pytest.raises(StoppedError):
        answered(one, kit("json_lines", b"", Workshop()), twice)
    assert len(asked) == 3
