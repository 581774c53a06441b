"""Everything a shop sets for itself: how it calculates, its money, its language and its cranks."""

from collections.abc import Iterator
from typing import Annotated, Final, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.errors import Fault
from cotterline.bench.money import MINOR_DECIMALS
from cotterline.bench.pricing.rules import Pricing, check_pricing
from cotterline.bench.quantity import refuse
from cotterline.bench.shop import NO_NUL, ShopSettings
from cotterline.bench.spindle.crank import CrankName, NamedCrank, ReferencePair, check_crank
from cotterline.bench.spindle.question import SpindleQuestion

Currency = Annotated[
    str,
    Meta(min_length=3, max_length=3, extra_json_schema={"enum": sorted(MINOR_DECIMALS)}),
]
LOCALE_PATTERN: Final = (
    r"^([A-Za-z]{2,3}(-[A-Za-z]{3}){0,3}|[A-Za-z]{4,8})(-[A-Za-z]{4})?(-([A-Za-z]{2}|[0-9]{3}))?"
    r"(-([A-Za-z0-9]{5,8}|[0-9][A-Za-z0-9]{3}))*(-[0-9A-WY-Za-wy-z](-[A-Za-z0-9]{2,8})+)*"
    r"(-[Xx](-[A-Za-z0-9]{1,8})+)?(?![\s\S])"
)
"""The form of a language tag of BCP 47 (RFC 5646, section 2.1)."""

Locale = Annotated[
    str,
    Meta(
        max_length=35,
        pattern=LOCALE_PATTERN,
        description="A language tag of BCP 47 (RFC 5646, section 2.1), such as en-GB; only its form is checked.",
    ),
]
RateName = Annotated[str, Meta(min_length=1, max_length=60, pattern=NO_NUL)]


class TaxRate(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One rate of tax.

    Attributes:
        name: what the shop calls it.
        percent: of the price before tax, as decimal digits in text.
    """

    name: RateName
    percent: Annotated[str, Meta(pattern=r"^(0|[1-9][0-9]?)(\.[0-9]{1,3})?(?![\s\S])", max_length=6)]


class Tax(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How the shop's prices carry tax. Which rates apply, and where, is for the shop and its adviser to know.

    Attributes:
        prices: whether the shop's prices have tax ``included`` already, or it is ``added``.
        rates: the rates there are, each name once.
    """

    prices: Literal["included", "added"] = "included"
    rates: Annotated[tuple[TaxRate, ...], Meta(max_length=12)] = ()


class ShopCrank(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A crank of the shop's, measured once; a request names it instead of measuring it again.

    Attributes:
        name: what the shop calls it; each name once.
        crank: what is known of it; its chain line must be given.
    """

    name: CrankName
    crank: ReferencePair


class ShopProfile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a shop sets for itself.

    Attributes:
        calculation: used by every calculation that brings no settings of its own.
        currency: of the shop's prices.
        tax: how they carry tax.
        pricing: how work and parts become an estimate. Where it is left out an invented one in EUR is used, which every
            estimate says; a shop that counts in another currency then has no prices at all.
        locale: language and customs of what is written for the shop's customers.
        quote_valid_days: how long a quote holds once it is issued. 30 days: common practice, no source.
        cranks: the shop's own.
        recheck_after_days: when a bicycle that was fitted is to be looked at again, in days; 0 for never. 14 days, so
            after the first rides: common practice, no source.
        share_fit_reports: whether what each fit report of live data says of its crank is given to every shop of this
            installation: its offset and that one's spread, number of rings, taper standard and trade item number. No
            shop, name, customer, bicycle or day goes with it, and so nothing that was given can be taken back.
    """

    calculation: ShopSettings = ShopSettings()
    currency: Currency = "EUR"
    tax: Tax = Tax()
    pricing: Pricing | UnsetType = UNSET
    locale: Locale = "en"
    quote_valid_days: Annotated[int, Meta(ge=1, le=365)] = 30
    cranks: Annotated[tuple[ShopCrank, ...], Meta(max_length=200)] = ()
    recheck_after_days: Annotated[int, Meta(ge=0, le=365)] = 14
    share_fit_reports: bool = False


DEFAULT: Final = ShopProfile()
"""What holds for a shop that never set anything."""


def check_profile(profile: ShopProfile, pointer: str = "") -> None:
    """Hold what a schema cannot say.

    Raises:
        CotterlineError: ``impossible-value``, with every fault.
    """
    refuse([*_faults(profile, pointer)])


def with_cranks(question: SpindleQuestion, profile: ShopProfile) -> SpindleQuestion:
    """The question with what is known of the crank it names; one the shop does not have stays a name.

    What is known keeps the name: reports of a crank count under the name the shop fits it by.
    """
    known = {crank.name: crank.crank for crank in profile.cranks}
    if not isinstance(question.crank, NamedCrank) or question.crank.name not in known:
        return question
    name = question.crank.name
    return msgspec.structs.replace(question, crank=msgspec.structs.replace(known[name], model=name))


def _faults(profile: ShopProfile, pointer: str) -> Iterator[Fault]:
    if profile.currency not in MINOR_DECIMALS:
        yield Fault(f"{pointer}/currency", f"{profile.currency} is no currency of ISO 4217 with a minor unit")
    elif not isinstance(profile.pricing, UnsetType):
        names = frozenset(rate.name for rate in profile.tax.rates)
        yield from check_pricing(profile.pricing, profile.currency, names, f"{pointer}/pricing")
    yield from _repeated([rate.name for rate in profile.tax.rates], f"{pointer}/tax/rates")
    yield from _repeated([crank.name for crank in profile.cranks], f"{pointer}/cranks")
    if profile.calculation.run_out_good_mm > profile.calculation.run_out_most_mm:
        yield Fault(f"{pointer}/calculation/run_out_good_mm", "must not exceed run_out_most_mm")
    widths = [row.shell_width for row in profile.calculation.stocked_lengths]
    for index, width in enumerate(widths):
        if width in widths[:index]:
            place = f"{pointer}/calculation/stocked_lengths/{index}/shell_width"
            yield Fault(place, f"{width:g} mm is listed more than once")
    for index, crank in enumerate(profile.cranks):
        place = f"{pointer}/cranks/{index}/crank"
        if isinstance(crank.crank.chain_line, UnsetType):
            yield Fault(f"{place}/chain_line", "a crank that is kept needs its own chain line")
        yield from check_crank(crank.crank, place)


def _repeated(names: list[str], pointer: str) -> Iterator[Fault]:
    for index, name in enumerate(names):
        if name in names[:index]:
            yield Fault(f"{pointer}/{index}/name", f"{name!r} is given more than once")
