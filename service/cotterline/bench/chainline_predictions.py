"""Where the chain runs, from measurements alone: front and rear chain line and every gear's angle."""

import msgspec

from cotterline.bench.chain import chainline
from cotterline.bench.chain.drivetrain import Drivetrain, DrivetrainResult, check_drivetrain, lay_out
from cotterline.bench.chain.methods import FrontMeasurement
from cotterline.bench.derivation import Step, Trace
from cotterline.bench.quantity import in_unit, refuse
from cotterline.bench.shop import ShopSettings


class ChainlineRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What ``predict`` answers.

    Attributes:
        front: how the front chain line was measured.
        drivetrain: what the chain runs between.
        settings: used instead of the shop's, where given.
    """

    front: FrontMeasurement
    drivetrain: Drivetrain
    settings: ShopSettings | msgspec.UnsetType = msgspec.UNSET


class ChainlineResult(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The answer of ``predict``, in the unit of its settings; the derivation stays in mm and degrees."""

    drivetrain: DrivetrainResult
    settings: ShopSettings
    derivation: tuple[Step, ...] | msgspec.UnsetType = msgspec.UNSET


def predict(request: ChainlineRequest, settings: ShopSettings, trace: Trace) -> ChainlineResult:
    """Where rings and sprockets stand and how the chain runs, from measurements alone.

    Args:
        request: the measurements; its own settings, where given, are used instead of ``settings``.
        settings: the shop's.
        trace: takes the steps; where wanted, the answer carries them.

    Raises:
        CotterlineError: ``impossible-value``, with every fault of the request at its JSON pointer.

    >>> from cotterline.bench.chain.drivetrain import Rings
    >>> from cotterline.bench.chain.methods import MeasuredChainLine, SingleSprocket
    >>> from cotterline.bench.quantity import Reading
    >>> wheel = SingleSprocket(locknut_width=Reading(value=120), to_sprocket=Reading(value=12))
    >>> bike = Drivetrain(rings=Rings(count=1), rear=wheel, chainstay_length=Reading(value=430))
    >>> front = MeasuredChainLine(chain_line=Reading(value=46))
    >>> answer = predict(ChainlineRequest(front=front, drivetrain=bike), ShopSettings(), Trace())
    >>> answer.drivetrain.mismatch.difference.value
    -2.0
    """
    used = settings if isinstance(request.settings, msgspec.UnsetType) else request.settings
    refuse(
        [*chainline.check_front(request.front, "/front"), *check_drivetrain(request.drivetrain, "/drivetrain")],
    )
    result = lay_out(chainline.front(request.front, trace, "/front"), request.drivetrain, used, trace)
    assumed = (*chainline.assumptions(request.front), *result.assumptions)
    answer = ChainlineResult(
        drivetrain=msgspec.structs.replace(result, assumptions=assumed),
        settings=used,
        derivation=tuple(trace.steps) if trace.wanted else msgspec.UNSET,
    )
    return in_unit(answer, used.units)
