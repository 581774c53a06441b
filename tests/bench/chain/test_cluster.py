"""Cluster and chain tables against the widths that were printed beside them."""

import pytest

from cotterline.bench.chain.cluster import (
    CHAINS,
    CLUSTERS,
    ChainRow,
    Cluster,
    ClusterRow,
    check_cluster,
    pitch,
    thickness,
)
from cotterline.bench.quantity import Reading


@pytest.mark.parametrize("speeds", sorted(CLUSTERS))
def test_pitch_and_thickness_add_up_to_the_printed_width(speeds: int) -> None:
    # Widths printed with the pitches: 24.0, 29.5, 31.9, 35.4, 36.5 and 37.2, rounded to a tenth.
    row = CLUSTERS[speeds]
    assert (speeds - 1) * row.pitch + row.thickness == pytest.approx(row.width, abs=0.0501)


def test_the_tables_cover_what_they_say() -> None:
    assert sorted(CLUSTERS) == [5, 6, 7, 8, 9, 10]
    assert sorted(CHAINS) == [6, 7, 8, 9, 10, 11]


def test_more_speeds_never_have_a_wider_pitch_sprocket_or_chain() -> None:
    # A fact of the trade; common practice, no source.
    clusters = [CLUSTERS[speeds] for speeds in sorted(CLUSTERS)]
    assert [row.pitch for row in clusters] == sorted((row.pitch for row in clusters), reverse=True)
    assert [row.thickness for row in clusters] == sorted((row.thickness for row in clusters), reverse=True)
    chains = [CHAINS[speeds].outer_width for speeds in sorted(CHAINS)]
    assert chains == sorted(chains, reverse=True)


@pytest.mark.parametrize(
    ("speeds", "printed"),
    [  # Bicycle Chain explained, cyclingboutique.in, 15 January 2024
        (6, (7.8,)),
        (7, (7.3,)),
        (8, (7.0, 7.3)),
        (9, (6.5, 6.7)),
        (10, (5.84, 6.2)),
        (11, (5.46, 5.74)),
    ],
)
def test_a_chain_width_covers_every_figure_of_its_source(speeds: int, printed: tuple[float, ...]) -> None:
    row = CHAINS[speeds]
    assert all(abs(figure - row.outer_width) <= row.plus_minus + 1e-9 for figure in printed)


def test_every_row_names_its_source_and_grade() -> None:
    rows: list[ClusterRow | ChainRow] = [*CLUSTERS.values(), *CHAINS.values()]
    for row in rows:
        assert row.source
        assert row.grade in {"workshop figures", "common practice"}


def test_a_measured_pitch_overrides_the_table() -> None:
    measured = Reading(value=5.35, tool="caliper")
    cluster = Cluster(sprockets=5, pitch=measured)
    assert pitch(cluster, "rear").value == 5.35
    assert pitch(cluster, "rear").parts == {"rear: sprocket pitch": 0.05}
    assert thickness(cluster, "rear").value == 2.0


def test_the_table_plus_minus_covers_the_other_pitch_its_source_prints() -> None:
    # The crib sheet prints 5.35 and 1.85 for another 5-speed cluster.
    row = CLUSTERS[5]
    assert row.pitch - row.pitch_plus_minus == pytest.approx(5.35)
    assert row.thickness - row.thickness_plus_minus == pytest.approx(1.85)


def test_a_cluster_that_no_table_has_must_be_measured() -> None:
    assert [fault.pointer for fault in check_cluster(Cluster(sprockets=3), "/c")] == ["/c/pitch", "/c/thickness"]
    measured = Cluster(sprockets=3, pitch=Reading(value=5.5), thickness=Reading(value=2))
    assert list(check_cluster(measured, "/c")) == []


def test_an_impossible_pitch_is_refused() -> None:
    cluster = Cluster(sprockets=6, pitch=Reading(value=55), thickness=Reading(value=0.1))
    assert [f.pointer for f in check_cluster(cluster, "/c")] == ["/c/pitch/value", "/c/thickness/value"]
