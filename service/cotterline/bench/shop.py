"""What a workshop may set for itself. Every default here is a starting point, not a finding."""

from typing import Annotated, Final, Literal

import msgspec

from cotterline.bench.quantity import Unit

NO_NUL: Final = r"^[^\x00]*(?![\s\S])"
"""Text that either database can keep: PostgreSQL has no U+0000."""

TaperConvention = Literal["published", "geometry"]


class StockedLengths(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The spindle lengths a shop can get for one nominal shell width, in mm."""

    shell_width: Annotated[float, msgspec.Meta(ge=30, le=130, description="Nominal shell width, mm.")]
    lengths: Annotated[
        tuple[Annotated[float, msgspec.Meta(ge=90, le=180)], ...],
        msgspec.Meta(min_length=1, max_length=60, description="Overall spindle lengths, mm."),
    ]


class ShopSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=False):
    """Tolerances, conventions and limits used in a calculation; recorded with every quote that used them.

    Attributes:
        units: unit of every length in the answer.
        chain_line_tolerance_mm: how far the new chain line may miss its target. 1-2 mm is generally close enough
            (common practice, no source).
        angle_limit_degrees: chain angle beyond which a gear is flagged. No published maximum was found, so this is
            the shop's own.
        taper_convention: seat shift between the two square-taper standards: the ``published`` 4.5 mm a side, or the
            ``geometry`` of the taper itself.
        order_probability: least probability of the leading thread for an order. It can be raised, not lowered
            below 0.95.
        stocked_lengths: replaces the default catalogue for the shell widths it names.
        chainstay_clearance_mm: least gap between chainring and chainstay.
        arm_clearance_mm: least gap between crank arm and chainstay.
        run_out_good_mm: wobble of the rings over a turn, greatest less least, up to which an arm's position is good. No
            published limit was found, so this is the shop's own.
        run_out_most_mm: wobble beyond which no bicycle leaves. As ``run_out_good_mm``.
    """

    units: Unit = "mm"
    chain_line_tolerance_mm: Annotated[float, msgspec.Meta(ge=0.25, le=5)] = 1.5
    angle_limit_degrees: Annotated[float, msgspec.Meta(ge=0.5, le=10)] = 2.5
    taper_convention: TaperConvention = "published"
    order_probability: Annotated[float, msgspec.Meta(ge=0.95, le=0.9999)] = 0.98
    stocked_lengths: Annotated[tuple[StockedLengths, ...], msgspec.Meta(max_length=12)] = ()
    chainstay_clearance_mm: Annotated[float, msgspec.Meta(ge=3, le=15)] = 5.0
    arm_clearance_mm: Annotated[float, msgspec.Meta(ge=2, le=15)] = 3.0
    run_out_good_mm: Annotated[float, msgspec.Meta(ge=0.1, le=3)] = 0.5
    run_out_most_mm: Annotated[float, msgspec.Meta(ge=0.2, le=5)] = 1.0
