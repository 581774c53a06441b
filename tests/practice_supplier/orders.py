"""An invented order, as it reaches the practice supplier."""

from datetime import date
from uuid import UUID

from msgspec import UNSET, UnsetType

from cotterline.bench.money import Money
from cotterline.bench.orders import LineChange, OrderChangeDocument, OrderDocument, OrderLine
from cotterline.bench.parts_list import ItemProperty, Measure, Quantity, Text

ORDER_ID = UUID("01900000-0000-7000-8000-000000000001")
CHANGE_ID = UUID("01900000-0000-7000-8000-000000000002")
ORDERED_ON = date(2024, 5, 3)


def spindle(value: float, lowest: float, highest: float) -> Measure:
    return Measure(name="spindle_length", value=value, lowest=lowest, highest=highest)


def unit(number: int, *properties: ItemProperty, price: str = "31.90") -> OrderLine:
    shell = Measure(name="shell_width", value=68.0, lowest=68.0, highest=68.0)
    taper = Text(name="spindle_taper", value="jis", accepted=("jis",))
    return OrderLine(
        number=number,
        parts_line=number,
        code="TH-122",
        sku="u-122",
        name="Cartridge unit",
        quantity=Quantity(1),
        unit_price=Money(amount=price, currency="EUR"),
        properties=(shell, taper, *properties),
    )


def bolts(number: int, pieces: int = 2) -> OrderLine:
    return OrderLine(
        number=number,
        parts_line=number,
        code="TH-B8",
        sku="b-8",
        name="Crank bolt",
        quantity=Quantity(pieces),
        unit_price=Money(amount="1.20", currency="EUR"),
    )


def order(
    reference: str | UnsetType = UNSET,
    *lines: OrderLine,
    reply_to: str | UnsetType = UNSET,
    order_id: UUID = ORDER_ID,
) -> OrderDocument:
    return OrderDocument(
        order_id=order_id,
        ordered_on=ORDERED_ON,
        shop="Tide mill",
        supplier="north depot",
        quote_id=UUID(int=1),
        quote_revision=1,
        currency="EUR",
        lines=lines or (unit(1, spindle(122.5, 121.1, 125.5)), bolts(2)),
        goods_total=Money(amount="34.30", currency="EUR"),
        reference=reference,
        reply_to=reply_to,
    )


def change(*changes: LineChange, reply_to: str | UnsetType = UNSET) -> OrderChangeDocument:
    return OrderChangeDocument(
        order_id=ORDER_ID,
        change_id=CHANGE_ID,
        changed_on=ORDERED_ON,
        supplier="north depot",
        shop="Tide mill",
        changes=changes,
        reply_to=reply_to,
    )
