"""What a background makes likely: against a second computation from the data, and against facts of the trade."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.shell.evidence import Evidence, OldCrank, Origin
from cotterline.bench.shell.families import SHELLS, FamilyId
from cotterline.bench.shell.posterior import posterior
from cotterline.bench.shell.prior import Background, Rule, background, rules, weights
from tests.bench import brute_force
from tests.bench.bikes import crank, gauge, origin
from tests.bench.random_evidence import CRANKS, ORIGINS


def _families(*evidence: Evidence) -> dict[str, float]:
    """Probability by the family a shell was made in."""
    known = posterior(evidence)
    found: dict[str, float] = {}
    for shell, p in zip(SHELLS, known.probabilities, strict=True):
        found[shell.original.id] = found.get(shell.original.id, 0.0) + p
    return found


@given(ORIGINS, CRANKS)
def test_prior_weights_are_those_of_a_second_computation(made: Origin, old: OldCrank) -> None:
    evidence = (made, old)
    expected = brute_force.prior(brute_force.wire(evidence))
    np.testing.assert_allclose(weights(background(evidence)), expected, rtol=1e-12)


def test_background_is_what_the_evidence_states_and_no_more() -> None:
    assert background([gauge(24)]) == Background(None, None, None)
    assert background([origin("GB", 1955, 1970), crank("cottered")]) == Background("GB", (1955, 1970), "cottered")


@pytest.mark.parametrize(
    ("years", "share"),
    [
        ((1980, 1989), 0.0),
        ((1990, 1999), 1.0),
        ((1985, 1994), 0.5),
        ((1989, 1990), 0.5),
        ((1990, 1990), 1.0),
        (None, 0.0),
    ],
)
def test_a_rule_with_years_counts_for_the_years_it_covers(years: tuple[int, int] | None, share: float) -> None:
    rule = Rule(about="after 1989", factors={}, source="", first=1990)
    assert rule.share(Background(None, years, None)) == share


def test_a_rule_for_countries_and_cranks_needs_both() -> None:
    rule = Rule(about="", factors={}, source="", countries=("GB",), cranks=("cottered",))
    assert rule.share(Background("GB", None, "cottered")) == 1.0
    assert rule.share(Background("FR", None, "cottered")) == 0.0
    assert rule.share(Background("GB", None, None)) == 0.0


@given(st.integers(1880, 2100), st.integers(0, 60))
def test_no_background_excludes_a_shell_altogether(first: int, span: int) -> None:
    evidence = (origin("FR", first, min(2100, first + span)), crank("one_piece"))
    assert min(weights(background(evidence))) > 0.0


def test_every_rule_says_what_it_is_about_and_where_it_comes_from() -> None:
    applied = {rule.about: rule for country in ("GB", "FR", "IT", "CH", "US", "JP", "DE")
               for rule, _ in rules(Background(country, (1900, 2026), "cottered"))}  # fmt: skip
    assert len(applied) > 10
    assert all(rule.source.strip() and rule.about.strip() for rule in applied.values())


def test_a_british_cottered_bicycle_of_the_sixties_is_most_likely_26_tpi() -> None:
    """Common practice, no source."""
    found = _families(origin("GB", 1955, 1970), crank("cottered"))
    assert max(found, key=found.__getitem__) == "british_26"


@pytest.mark.parametrize("country", ["GB", "IE"])
def test_origin_in_the_british_isles_raises_26_tpi_even_alone(country: str) -> None:
    """Common practice, no source: caution always when origin points there."""
    assert _families(origin(country))["british_26"] > 2 * _families(origin("NZ"))["british_26"]


def test_a_cottered_crank_raises_the_older_families_and_thompson() -> None:
    """Common practice, no source."""
    with_cotters, without = _families(crank("cottered")), _families(crank("square_taper"))
    older: tuple[FamilyId, ...] = ("british_26", "french", "swiss", "thompson_38", "thompson_40")
    for family in older:
        assert with_cotters[family] / with_cotters["iso_english"] > without[family] / without["iso_english"]


def test_an_italian_frame_of_2003_can_well_be_iso_and_one_of_1975_is_most_likely_italian() -> None:
    """A published workshop report: an Italian-made frame of 2003 was ISO."""
    late, early = _families(origin("IT", 2003, 2003)), _families(origin("IT", 1975, 1975))
    assert late["iso_english"] > 0.25
    assert early["italian"] > early["iso_english"]
    assert late["italian"] < early["italian"]


def test_french_threading_ends_between_1980_and_1990() -> None:
    """Workshop references, which differ by ten years."""
    shares = [_families(origin("FR", year, year))["french"] for year in (1975, 1983, 1988, 1995)]
    assert shares[0] > 0.5
    assert shares[0] >= shares[1] > shares[2] > shares[3]
    assert shares[3] < 0.1


def test_a_swiss_bicycle_may_be_swiss_and_few_others_are() -> None:
    """Workshop references."""
    assert _families(origin("CH", 1975, 1975))["swiss"] > 0.1 > _families(origin("IT", 1975, 1975))["swiss"]


def test_a_one_piece_crank_passes_only_through_its_own_shell() -> None:
    """Common practice, no source."""
    assert _families(crank("one_piece"))["one_piece_51"] > 0.9


def test_an_unknown_country_leaves_the_odds_alone() -> None:
    assert _families(origin("NZ")) == pytest.approx(_families(origin()))
