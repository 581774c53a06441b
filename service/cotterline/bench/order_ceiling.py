"""Whether the parts as they are ordered now still fit under the ceiling a customer agreed to.

Prices and stock are those of the day of the order; the customer agreed to those of the estimate. Dearer parts alone do
no harm: they are held against what suffices for the whole job with probability 0.9.
"""

from collections.abc import Sequence
from fractions import Fraction

from cotterline.bench.approvals import written
from cotterline.bench.errors import CotterlineError
from cotterline.bench.money import Money
from cotterline.bench.order_needs import Needs
from cotterline.bench.orders import Allotment, BySupplier
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.sourcing import SourcedLine, basket, selling_price
from cotterline.bench.pricing.total_cost import terms


def hold_order_to_ceiling(allotments: BySupplier, needs: Needs, ceiling: Money, rules: PricingInForce) -> None:
    """Hold that what the parts cost more than the estimate counted leaves the job within the ceiling.

    A line that the shop has at hand is charged as it was quoted.

    Args:
        allotments: the parts as they are ordered.
        needs: what was needed, with the parts and the p90 of the estimate.
        ceiling: that is agreed to, in the currency of the rules.
        rules: that the estimate was priced by.

    Raises:
        CotterlineError: ``beyond-ceiling``, with the amounts.
    """
    ordered = [_as_sold(item, rules) for items in allotments.values() for item in items]
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
    line = item.line
    return SourcedLine(
        line=line.parts_line,
        sku=line.sku,
        name=line.name,
        quantity=line.quantity.value,
        supplier=item.supplier,
        unit_cost=line.unit_price,
        unit_price=selling_price(line.unit_price.decimal, rules),
        exact=line.properties == item.need.properties,
        returnable=line.returnable,
    )


def _charged(lines: Sequence[SourcedLine], rules: PricingInForce) -> Fraction:
    """What the customer pays for parts, discounts, sundries, delivery and tax included, in minor units."""
    return terms(basket(lines), rules).constant
