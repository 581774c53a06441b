"""Sprocket clusters and the chains that run on them: dimensions by table, or as measured.

Sprockets are numbered from the outermost, which is the smallest. Sources stand in ``data/clusters.toml``.
"""

from collections.abc import Iterator, Mapping
from typing import Annotated, Final

import msgspec

from cotterline.bench.data import load
from cotterline.bench.errors import Fault
from cotterline.bench.quantity import COVERAGE, Reading, Uncertain, check_span

_PITCH_SPAN: Final = (2.5, 10.0)
_THICKNESS_SPAN: Final = (1.0, 5.0)


class Cluster(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Several sprockets side by side.

    Attributes:
        sprockets: how many.
        pitch: middle to middle of neighbours; by the table for 5 to 10 sprockets when not measured.
        thickness: of one sprocket; as ``pitch``.
    """

    sprockets: Annotated[int, msgspec.Meta(ge=2, le=13, description="How many sprockets.")]
    pitch: Reading | msgspec.UnsetType = msgspec.UNSET
    thickness: Reading | msgspec.UnsetType = msgspec.UNSET


class ClusterRow(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A cluster's dimensions in mm by number of sprockets."""

    speeds: int
    pitch: float
    pitch_plus_minus: float
    thickness: float
    thickness_plus_minus: float
    width: float
    source: str
    grade: str


class ChainRow(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A chain's width over its pins in mm by number of speeds."""

    speeds: int
    outer_width: float
    plus_minus: float
    source: str
    grade: str


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    cluster: tuple[ClusterRow, ...]
    chain: tuple[ChainRow, ...]


_TABLE: Final = load("clusters", _Table)
CLUSTERS: Final[Mapping[int, ClusterRow]] = {row.speeds: row for row in _TABLE.cluster}
CHAINS: Final[Mapping[int, ChainRow]] = {row.speeds: row for row in _TABLE.chain}


def check_cluster(cluster: Cluster, pointer: str) -> Iterator[Fault]:
    """Yield what is impossible about ``cluster``, or missing because the table has no such cluster."""
    spans = {"pitch": _PITCH_SPAN, "thickness": _THICKNESS_SPAN}
    for name, span in spans.items():
        reading = getattr(cluster, name)
        if isinstance(reading, Reading):
            yield from check_span(reading, span, f"sprocket {name}", f"{pointer}/{name}")
        elif cluster.sprockets not in CLUSTERS:
            yield Fault(f"{pointer}/{name}", f"measure it: no table gives the {name} of {cluster.sprockets} sprockets")


def pitch(cluster: Cluster, booked_as: str) -> Uncertain:
    """Middle to middle of neighbouring sprockets of a cluster that ``check_cluster`` passed.

    >>> pitch(Cluster(sprockets=9), "rear").value
    4.34
    """
    source = f"{booked_as}: sprocket pitch"
    if isinstance(cluster.pitch, Reading):
        return cluster.pitch.uncertain(source)
    row = CLUSTERS[cluster.sprockets]
    return Uncertain.of(row.pitch, row.pitch_plus_minus / COVERAGE, source)


def thickness(cluster: Cluster, booked_as: str) -> Uncertain:
    """Thickness of one sprocket of a cluster that ``check_cluster`` passed.

    >>> thickness(Cluster(sprockets=9), "rear").value
    1.78
    """
    source = f"{booked_as}: sprocket thickness"
    if isinstance(cluster.thickness, Reading):
        return cluster.thickness.uncertain(source)
    row = CLUSTERS[cluster.sprockets]
    return Uncertain.of(row.thickness, row.thickness_plus_minus / COVERAGE, source)
