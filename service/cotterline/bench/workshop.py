"""What a shop brings to a calculation besides the bicycle: its settings, its labour book, its pace, its prices."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

from cotterline.bench.derivation import QUIET
from cotterline.bench.labour.book import DEFAULT_BOOK, LabourBook
from cotterline.bench.labour.learning import LabourTime, learn
from cotterline.bench.labour.outlines import Outlines
from cotterline.bench.labour.pace import Pace
from cotterline.bench.pricing.catalogue import Part, PriceList
from cotterline.bench.pricing.in_force import in_force
from cotterline.bench.pricing.sourcing import Market
from cotterline.bench.pricing.total_cost import Prices
from cotterline.bench.remembering import remembering
from cotterline.bench.shop_profile import DEFAULT, ShopProfile
from cotterline.bench.spindle.offset import OffsetReport

MOST_REMEMBERED: Final = 1024
"""Most whole answers remembered, some tens of kilobytes each."""


@dataclass(frozen=True, kw_only=True)
class Workshop:
    """One shop, as a calculation needs to know it.

    Attributes:
        profile: what the shop set for itself.
        book: its labour book.
        times: that it recorded.
        parts: of its catalogue; at least those that this job may need.
        price_lists: of its suppliers; at least the offers for ``parts``.
        offsets: of cranks that were fitted and measured, its own and those that other shops gave.
    """

    profile: ShopProfile = DEFAULT
    book: LabourBook = DEFAULT_BOOK
    times: tuple[LabourTime, ...] = ()
    parts: tuple[Part, ...] = ()
    price_lists: tuple[PriceList, ...] = ()
    offsets: tuple[OffsetReport, ...] = ()

    @cached_property
    def outlines(self) -> Outlines:
        """Its book at its own pace, prepared for all its jobs; it goes with the workshop."""
        return Outlines(Pace(self.book, learn(self.book, self.times, QUIET)))

    @cached_property
    def market(self) -> Market:
        """Its catalogue and price lists, laid out for all its jobs."""
        return Market(self.parts, self.price_lists, self.prices.rules)

    @cached_property
    def remembered(self) -> Callable[..., Any]:
        """What a function makes of the workshop and a few kinds of job: asked for the first time, or remembered."""
        return remembering(self._made, MOST_REMEMBERED)

    def _made(self, make: Callable[..., Any], *of: Any) -> Any:  # noqa: ANN401 - what the function takes and gives
        return make(self, *of)

    @cached_property
    def prices(self) -> Prices:
        """The rules it prices by, prepared for all its jobs."""
        return Prices(in_force(self.profile))
