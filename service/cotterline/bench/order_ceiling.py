"""Whether the parts as they are ordered now still fit under the ceiling a customer agreed to.

Prices and stock are those of the day of the order; the customer agreed to those of the estimate. Dearer parts alone do
no harm: they are held against what suffices for the whole job with probability 0.9.
"""

from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

from cotterline.bench.approvals import written
from cotterline.bench.errors import CotterlineError
from cotterline.bench.money import Money
from cotterline.bench.order_needs import Needs
from cotterline.bench.orders import Allotment, BySupplier, OrderLine
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.sourcing import SourcedLine, basket, selling_price
from cotterline.bench.pricing.total_cost import terms


class Bought(NamedTuple):
    """A line of an order that was placed before, at the price that was agreed last, and of whom."""

    line: OrderLine
    supplier: str


def hold_order_to_ceiling(
    allotments: BySupplier, needs: Needs, ceiling: Money, rules: PricingInForce, before: Sequence[Bought] = ()
) -> None:
    """Hold that what the parts cost more than the estimate counted leaves the job within the ceiling.

    A line that the shop has at hand is charged as it was quoted.

    Args:
        allotments: the parts as they are ordered.
        needs: what was needed, with the parts and the p90 of the estimate.
        ceiling: that is agreed to, in the currency of the rules.
        rules: that the estimate was priced by.
        before: what other orders of the job bring already; they are charged as they were ordered.

    Raises:
        CotterlineError: ``beyond-ceiling``, with the amounts.
    """
    ordered = [_as_sold(item, rules) for items in allotments.values() for item in items]
    replaced = {line.line for line in ordered}
    ordered += [_sold(each, rules) for each in before if each.line.parts_line not in replaced]
    bought = {line.line for line in ordered}
    at_hand = [line for line in needs.quoted if line.line not in bought]
    dearer = _charged([*ordered, *at_hand], rules) - _charged(needs.quoted, rules)
    comes_to = rules.units(needs.p90.amount) + dearer
    if dearer > 0 and comes_to > rules.units(ceiling.amount):
        more, most = rules.money(rules.nearest(dearer)), rules.money(rules.nearest(comes_to))
        words = (
            f"The parts come to {written(more)} more than was quoted, and the job may so come to {written(most)}; "
            f"agreed are {written(ceiling)}."
        )
        raise CotterlineError("beyond-ceiling", words)


def _as_sold(item: Allotment, rules: PricingInForce) -> SourcedLine:
    exact = item.line.properties == item.need.properties
    return _sold(Bought(item.line, item.supplier), rules, exact=exact)


def _sold(bought: Bought, rules: PricingInForce, *, exact: bool = True) -> SourcedLine:
    line = bought.line
    return SourcedLine(
        line=line.parts_line,
        sku=line.sku,
        name=line.name,
        quantity=line.quantity.value,
        supplier=bought.supplier,
        unit_cost=line.unit_price,
        unit_price=selling_price(line.unit_price.decimal, rules),
        exact=exact,
        returnable=line.returnable,
    )


def _charged(lines: Sequence[SourcedLine], rules: PricingInForce) -> Fraction:
    """What the customer pays for parts, discounts, sundries, delivery and tax included, in minor units."""
    return terms(basket(lines), rules).constant
