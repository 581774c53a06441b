"""Bodies: JSON of every type, tables, bicycles by the line and by the row, patches, forms, replies."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import msgspec

from cotterline.api import labour_book, parts, price_lists
from cotterline.api.bicycles.bike import Bike
from cotterline.api.bicycles.bikes_json import bikes_of_document
from cotterline.api.bicycles.told import CsvRows, JsonLines
from cotterline.api.body import decode
from cotterline.api.csv_table import CsvTable
from cotterline.api.estimate_forms import form_in
from cotterline.api.estimate_links import EstimateLinkRequest
from cotterline.api.labour_book import LabourBookPatch, ShownLabourBook
from cotterline.api.labour_times import LabourTimeRequest
from cotterline.api.merge_patch import merged
from cotterline.api.order_changes import ChangeRequest
from cotterline.api.order_decisions import DecisionRequest
from cotterline.api.order_previews import PreviewRequest
from cotterline.api.parts import Catalogue
from cotterline.api.problems import Call
from cotterline.api.quote_requests import QuotePatch, TransitionRequest
from cotterline.api.receiver_secrets import SecretRequest
from cotterline.api.shop_profiles import _SERVED, ShopProfilePatch
from cotterline.api.shown_key import KeyRequest
from cotterline.bench.ceiling_checks import CeilingCheckRequest
from cotterline.bench.chainline_predictions import ChainlineRequest
from cotterline.bench.exchanges import ExchangeRequest
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.orders import OrderRequest
from cotterline.bench.pricing.catalogue import PriceList
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.replies import Reply
from cotterline.bench.shop_profile import ShopProfile
from cotterline.bench.spindle.question import SpindleRequest
from cotterline.bench.subscriptions import Subscription
from cotterline.bench.suppliers import Supplier, check_supplier
from cotterline.bench.thread_verdicts import VerdictRequest
from cotterline.delivery.recording import reply_in
from cotterline.delivery.schedule import Answer
from cotterline.documents.mapping import MAX_BYTES, check_mapping, mapped
from cotterline.store.quote_runs import BicycleForm
from tests.api.bicycles.test_parts import check, in_pieces, streamed
from tests.fuzz.handed import Handed

KINDS: Final[Sequence[Any]] = (
    QuoteRequest, VerdictRequest, SpindleRequest, ChainlineRequest, FitReportRequest, CeilingCheckRequest,
    ShopProfile, ShopProfilePatch, ShownLabourBook, LabourBookPatch, LabourTimeRequest, Catalogue, PriceList,
    Supplier, SecretRequest, Subscription, Reply, OrderRequest, PreviewRequest, ChangeRequest, DecisionRequest,
    ExchangeRequest, EstimateLinkRequest, QuotePatch, TransitionRequest, KeyRequest,
)  # fmt: skip
"""What a body may be."""

TELLERS: Final = (JsonLines(Call("01900000-0000-7000-8000-000000000000", "")), CsvRows())
TABLES: Final[Sequence[CsvTable[Any]]] = (parts.TABLE, price_lists.TABLE, labour_book.TABLE)
_FORMS: Final[Sequence[BicycleForm]] = ("json_lines", "csv")


def json_body(data: bytes) -> None:
    """A body that is taken is written and taken again as the same."""
    handed = Handed(data)
    kind = handed.chosen(KINDS)
    _again(decode(handed.rest(), kind), kind)


def bicycles(data: bytes) -> None:
    """An upload cut anywhere says what the whole says, and each bicycle in it is the same once it was written."""
    handed = Handed(data)
    form = handed.chosen(_FORMS)
    sizes = [handed.number(256) for _ in range(handed.number(6))]
    upload = handed.rest()
    check(form, upload, in_pieces(upload, sizes))
    for each in streamed(form, upload):
        if isinstance(each, Bike):
            _again(each.request, QuoteRequest)
        else:
            for teller in TELLERS:
                assert each.place.encode() in teller.answer(each)


def bicycle_document(data: bytes) -> None:
    """One document of bicycles."""
    for each in bikes_of_document(iter(data.splitlines(keepends=True))):
        if isinstance(each, Bike):
            _again(each.request, QuoteRequest)


def table(data: bytes) -> None:
    """A table that is taken is written and taken again as the same."""
    handed = Handed(data)
    chosen = handed.chosen(TABLES)
    content = chosen.read(handed.rest())
    assert chosen.read(chosen.write(content)) == content


def patch(data: bytes) -> None:
    """A patch that was applied makes no difference any more (RFC 7396), and what it makes fits the schema."""
    document, _, change = data.partition(b"\n")
    before, after = decode(document or b"{}", dict[str, Any]), decode(change or b"{}", dict[str, Any])
    once = merged(before, after)
    assert merged(once, after) == once
    outcome = _SERVED.patched(ShopProfile(), decode(change or b"{}", ShopProfilePatch))
    _again(outcome, ShopProfile)


def mapping(data: bytes) -> None:
    """An expression over a document makes an object or an array that is not too long, or is refused with one fault."""
    expression, _, document = data.decode(errors="replace").partition("\0")
    broken = [*check_mapping(expression, "")]
    made = mapped(document.encode() or b"{}", expression)
    assert not broken
    assert isinstance(msgspec.json.decode(made), dict | list)
    assert len(made) <= MAX_BYTES


def reply(data: bytes) -> None:
    """A supplier's answer is a reply to the letter, or none; it is never an error."""
    found = reply_in(Answer(status=200, body=data))
    if found is not None:
        _again(found, Reply)


def supplier(data: bytes) -> None:
    """A supplier's settings are checked without an error of another kind."""
    found = decode(data, Supplier)
    assert all(fault.detail for fault in check_supplier(found, ""))


def form(data: bytes) -> None:
    """A customer's form: what is taken has known fields alone."""
    found = form_in(data)
    assert "\0" not in found.name + found.seal


def _again(value: Any, kind: Any) -> None:  # noqa: ANN401 - any type of a body
    assert decode(msgspec.json.encode(value), kind) == value


TARGETS: Final[Mapping[str, Callable[[bytes], None]]] = {
    "json-body": json_body,
    "bicycles": bicycles,
    "bicycle-document": bicycle_document,
    "table": table,
    "patch": patch,
    "mapping": mapping,
    "reply": reply,
    "supplier": supplier,
    "form": form,
}
