"""Names for what several members share: an enumeration or a choice becomes one type in a generated client, not many."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Literal, NamedTuple

import msgspec

from cotterline.api.told_events import AnyEvent
from cotterline.bench.approvals import EndOfApproval, Means
from cotterline.bench.chain.methods import FrontMeasurement, NominalKind, RearMeasurement
from cotterline.bench.estimate_links import LinkAnswer, LinkState
from cotterline.bench.events import EventType
from cotterline.bench.fit.report import Visit
from cotterline.bench.fit.result import Outcome as FitOutcome
from cotterline.bench.labour.book import Factor, LabourClass, OptionId
from cotterline.bench.line_progress import About
from cotterline.bench.orders import Sourcing
from cotterline.bench.parts_data import TorqueSubject
from cotterline.bench.parts_list import ItemProperty, PropertyName
from cotterline.bench.plan import Grade as FigureGrade
from cotterline.bench.quantity import Side, Tool, Unit
from cotterline.bench.quote_life import QuoteAction, QuoteState
from cotterline.bench.quote_run_life import QuoteRunAction, QuoteRunState
from cotterline.bench.recheck_visits import VisitState
from cotterline.bench.replies import LineState, OrderState, Says, Statement
from cotterline.bench.shell.evidence import Evidence
from cotterline.bench.shell.families import FamilyId, Grade, Hand, Stock
from cotterline.bench.shell.order_conditions import Condition
from cotterline.bench.shell.remedies import Finding
from cotterline.bench.shop import TaperConvention
from cotterline.bench.shop_profile import Currency
from cotterline.bench.spindle.order_policy import PolicyName
from cotterline.bench.spindle.taper import KnownTaper, Taper
from cotterline.bench.suppliers import Authentication, BodyForm
from cotterline.bench.thread_verdicts import State
from cotterline.store.deliveries import DeliveryKind, DeliveryState
from cotterline.store.orders import Outcome
from cotterline.store.quote_runs import BicycleForm
from cotterline.store.receiver_secrets import Purpose
from cotterline.store.receivers import ReceiverKind
from cotterline.store.tenancy import Mode, Scope

PREFIX = "#/components/schemas/"


class Named(NamedTuple):
    """A type without a name of its own, and what it means."""

    kind: Any
    words: str


NAMED: Mapping[str, Named] = {
    "Authentication": Named(Authentication, "What a post shows besides its signature; `kind` says what."),
    "BicycleForm": Named(BicycleForm, "How bicycles and answers are written: JSON, one a line, or rows of a table."),
    "BodyForm": Named(BodyForm, "In which form an order goes out; `form` says which."),
    "ConditionName": Named(Condition, "One thing an order needs of a verdict."),
    "CostBesideTime": Named(Literal["none", "exchange"], "What something costs besides time."),
    "Currency": Named(Currency, "A currency of ISO 4217 that has a minor unit."),
    "DeliveryKind": Named(DeliveryKind, "What is posted."),
    "DeliveryState": Named(DeliveryState, "What became of a delivery."),
    "EndOfApproval": Named(EndOfApproval, "What ended an approval."),
    "Event": Named(AnyEvent, "One thing that happened; `type` says what."),
    "EventType": Named(EventType, "A kind of thing that happens."),
    "Evidence": Named(Evidence, "One thing observed; `kind` says which."),
    "Factor": Named(Factor, "Something seen of a job, which changes the odds of what may go wrong."),
    "FamilyId": Named(FamilyId, "One kind of thread, or of plain bore."),
    "FigureGrade": Named(FigureGrade, "Where a figure of labour comes from."),
    "Finding": Named(Finding, "Whether something holds, as far as it was measured."),
    "FitOutcome": Named(FitOutcome, "Whether a job passed once it was fitted."),
    "FrontMeasurement": Named(FrontMeasurement, "A front chain line as it was found; `method` says how."),
    "Grade": Named(Grade, "How well a fact is founded, the best first: standard, handbook, measurement, practice."),
    "ItemProperty": Named(ItemProperty, "One property of a part; `kind` says whether it is a dimension or words."),
    "KnownTaper": Named(KnownTaper, "Standard of a square end, or that nobody knows it."),
    "LabourClass": Named(LabourClass, "Which hourly rate work is charged at."),
    "LeftOrRight": Named(Hand, "Left or right, as seen from the saddle; of a thread, its hand."),
    "LinkAnswer": Named(LinkAnswer, "What a customer said by a link."),
    "LinkState": Named(LinkState, "Whether a link to an estimate can still be answered, or what came of it."),
    "LineState": Named(LineState, "Where a line of an order stands."),
    "Means": Named(Means, "How a customer said something."),
    "Mode": Named(Mode, "Whether something belongs to the live or the test data of a shop."),
    "NominalKind": Named(NominalKind, "A kind of bicycle that has a customary chain line."),
    "OptionId": Named(OptionId, "Something a job can have besides."),
    "OrderState": Named(OrderState, "Where an order stands."),
    "PitchUnit": Named(Literal["mm", "tpi"], "Whether a pitch is in millimetres or in threads per inch."),
    "PolicyName": Named(PolicyName, "How many lengths are ordered together."),
    "PostOutcome": Named(Outcome, "What became of the post that carries an order."),
    "PropertyName": Named(PropertyName, "Which property of a part."),
    "QuestionSubject": Named(About, "What a question about an order is about."),
    "QuoteAction": Named(QuoteAction, "Something that can be done with a quote."),
    "QuoteRunAction": Named(QuoteRunAction, "What can be done with a run."),
    "QuoteRunState": Named(QuoteRunState, "Where a run stands."),
    "QuoteState": Named(QuoteState, "Where a quote stands in its life."),
    "RearMeasurement": Named(RearMeasurement, "A rear chain line as it was found; `method` says how."),
    "ReceiverKind": Named(ReceiverKind, "Whether orders are posted there or events."),
    "ReceiverState": Named(
        Literal["ready", "failing", "disabled"],
        "Whether posts get through: `failing` after one that failed; to a `disabled` receiver nothing is posted.",
    ),
    "SaysName": Named(Says, "What a supplier may say of a line."),
    "Scope": Named(Scope, "What a key may be allowed; none includes another."),
    "SecretPurpose": Named(Purpose, "What a secret is for."),
    "SecretState": Named(Literal["live", "ended"], "Whether a secret holds."),
    "Side": Named(Side, "Side of the bicycle: the drive side is the right one, seen from the saddle."),
    "SpreadKind": Named(Literal["operation", "contingency"], "Whether something is done or only may go wrong."),
    "Sourcing": Named(Sourcing, "Which offer is taken: the cheapest, or the one that is here soonest."),
    "Statement": Named(Statement, "Something a supplier says of lines of an order; `says` tells what."),
    "Stock": Named(Stock, "How easily a new unit is had."),
    "Taper": Named(Taper, "Standard of a square end."),
    "TaperConvention": Named(TaperConvention, "Which figures tell how far an arm goes onto either taper."),
    "TaxInPrices": Named(Literal["included", "added"], "Whether prices have tax in them, or it is added."),
    "Tool": Named(Tool, "What a reading was taken with."),
    "TorqueSubject": Named(TorqueSubject, "A fastener that is drawn up to a torque."),
    "Unit": Named(Unit, "Unit of a length."),
    "RecheckState": Named(VisitState, "Where a re-check visit stands."),
    "Visit": Named(Visit, "The fitting, or the re-check after the first rides."),
    "VerdictState": Named(State, "How far a verdict on the thread got."),
}
"""Every type that stands in more than one place, save structs, which bring their name."""


def name_shared(schemas: Iterable[dict[str, Any]], components: dict[str, Any]) -> None:
    """Put a reference wherever a named type is written out, and the types so used among ``components``.

    >>> part = {"enum": ["in", "mm"], "default": "mm"}
    >>> components = {}
    >>> name_shared([part], components)
    >>> part
    {'default': 'mm', '$ref': '#/components/schemas/Unit'}
    >>> components["Unit"]["enum"]
    ['in', 'mm']
    """
    written = {name: _written_out(named.kind) for name, named in NAMED.items()}
    for node in [*_objects([*schemas, *components.values()])]:
        for name, fragment in written.items():
            if fragment.items() <= node.items():
                for keyword in fragment:
                    del node[keyword]
                node["$ref"] = PREFIX + name
                components[name] = {"title": name, "description": NAMED[name].words, **fragment}


def _written_out(kind: Any) -> dict[str, Any]:  # noqa: ANN401 - any annotation
    (fragment,), _ = msgspec.json.schema_components([kind], ref_template=PREFIX + "{name}")
    return fragment


def _objects(node: Any) -> Iterator[dict[str, Any]]:  # noqa: ANN401 - any part of a schema
    """Every object in ``node``, the innermost first."""
    parts = node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
    for part in parts:
        yield from _objects(part)
    if isinstance(node, dict):
        yield node
