"""The whole verdict: two bicycles from the bench, and the laws every verdict keeps."""

import json
import os
import re
import subprocess
import sys
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.shell.evidence import Evidence, EvidenceList
from cotterline.bench.shell.families import FAMILIES
from cotterline.bench.shell.posterior import posterior
from cotterline.bench.shell.remedies import ShellCondition, remedies
from cotterline.bench.shop import ShopSettings
from cotterline.bench.thread_verdicts import Verdict, VerdictRequest, judge, verdict
from tests.bench.bikes import COTTERED, RAISED, bore, cup, gauge, hand, inside, judged, stamp, width
from tests.bench.random_evidence import ANY_EVIDENCE, SHUFFLED

ANOTHER_PROCESS = """
import sys, msgspec
from cotterline.bench.derivation import Trace
from cotterline.bench.shop import ShopSettings
from cotterline.bench.thread_verdicts import VerdictRequest, judge
for line in sys.stdin.buffer:
    answer = judge(msgspec.json.decode(line, type=VerdictRequest), ShopSettings(), Trace())
    sys.stdout.buffer.write(msgspec.json.encode(answer) + b"\\n")
"""


def test_the_cottered_bicycle_is_iso_english_68_and_fit_to_order() -> None:
    """Common practice, no source: 67 on a ruler, 24 tpi, a left-hand drive cup."""
    answer = judged(*COTTERED)
    assert answer.state == "fit_to_order"
    assert (answer.leading.drive, answer.leading.non_drive) == ("iso_english", "iso_english")
    assert answer.leading.designation == "1.370 in x 24 tpi"
    assert answer.leading.probability > 0.98
    assert answer.shell_width.nominal.value == 68.0
    assert answer.shell_width.measured
    assert answer.shell_width.probability > 0.95
    assert answer.contradictions == ()
    drive, other = answer.leading.cups
    assert (drive.side, drive.hand, drive.unscrews) == ("drive", "left", "clockwise")
    assert (other.side, other.hand, other.unscrews) == ("non_drive", "right", "anticlockwise")


def test_with_raised_fittings_71_mm_and_26_tpi_it_is_refused_and_routes_that_hold_are_named() -> None:
    """Common practice, no source; the routes' sizes are published cases."""
    answer = judged(*RAISED)
    assert answer.state != "fit_to_order"
    assert answer.leading.drive == answer.leading.non_drive == "british_26"
    assert answer.leading.stock == "none"
    assert answer.shell_width.nominal.value == 71.0
    stock = next(c for c in answer.order_conditions if c.condition == "stock_unit_exists")
    assert not stock.met
    assert "see the remedies" in stock.words
    routes = remedies(posterior(RAISED).leader, ShellCondition(cups="sound", threads="sound"), RAISED, Trace())
    holding = {route.route for route in routes if route.finding == "holds"}
    assert {"keep_cups", "expanding_unit", "chase_thread"} <= holding
    assert "retap_iso" not in holding


@pytest.mark.parametrize(
    ("evidence", "state"),
    [
        ((gauge(26),), "undecided"),
        ((gauge(24), hand("left")), "likely"),
        ((gauge(24), gauge(26), hand("left"), width(68, "caliper")), "contradictory"),
        ((gauge(24), hand("left"), cup(34.7), width(68, "caliper")), "fit_to_order"),
        ((gauge(24), hand("right"), cup(35.9), width(70, "caliper")), "fit_to_order"),
    ],
)
def test_the_four_states(evidence: tuple[Evidence, ...], state: str) -> None:
    assert judged(*evidence).state == state


def test_a_mixture_is_named_by_both_sides_and_has_no_stock_unit() -> None:
    answer = judged(cup(34.7), hand("left"), gauge(24), cup(35.9, "non_drive"), inside(34.95, "non_drive"))
    assert answer.leading.name == "ISO/English on the drive side, Italian on the other"
    assert answer.leading.designation == "1.370 in x 24 tpi / 36 mm x 24 tpi"
    assert answer.leading.stock == "none"
    assert answer.mixtures[0].probability == answer.leading.probability
    assert (answer.mixtures[0].drive, answer.mixtures[0].non_drive) == ("iso_english", "italian")


def test_a_plain_shell_has_no_hand_to_unscrew() -> None:
    answer = judged(bore("plain"), inside(40.0), bore("plain", "non_drive"))
    assert answer.leading.drive.startswith("thompson") or not FAMILIES[answer.leading.drive].threaded
    assert all(cup.hand is msgspec.UNSET and cup.unscrews is msgspec.UNSET for cup in answer.leading.cups)


@given(ANY_EVIDENCE)
@settings(deadline=None, max_examples=60)
def test_stated_probabilities_add_up(evidence: tuple[Evidence, ...]) -> None:
    answer = judged(*evidence)
    mixed = sum(row.probability for row in answer.mixtures)
    assert sum(row.both for row in answer.families) + mixed == pytest.approx(1.0, abs=4e-5)
    assert sum(row.drive for row in answer.families) == pytest.approx(1.0, abs=4e-5)
    assert sum(row.non_drive for row in answer.families) == pytest.approx(1.0, abs=4e-5)
    assert {row.family for row in answer.families} == set(FAMILIES)
    shares = [row.both for row in answer.families]
    assert shares == sorted(shares, reverse=True)


def _renumbered(answer: Verdict, order: list[int]) -> Any:  # noqa: ANN401 - plain JSON
    """The verdict as JSON with every index of an item turned back to where the item stood."""
    text = msgspec.json.encode(answer).decode()
    text = re.sub(r"([Ii]tem )(\d+)", lambda found: f"{found[1]}#{order[int(found[2])]}", text)
    tree = json.loads(text)
    for part in ("weights", "contradictions"):
        for row in tree[part]:
            row["item"] = order[row["item"]]
        tree[part].sort(key=lambda row: row["item"])
    for condition in tree["order_conditions"]:
        condition["words"] = sorted(re.findall(r"item #\d+ \(.*?\)|\w+", condition["words"]))
    tree["notes"].sort()
    tree["derivation"].sort(key=lambda step: step["name"])
    return tree


@given(SHUFFLED)
@settings(deadline=None, max_examples=60)
def test_the_order_of_the_evidence_changes_no_byte_but_the_items_numbers(
    orders: tuple[tuple[Evidence, ...], list[Evidence]],
) -> None:
    evidence, shuffled = orders
    places = list(range(len(evidence)))
    order: list[int] = []
    for item in shuffled:
        order.append(next(place for place in places if evidence[place] == item and place not in order))
    assert _renumbered(judged(*shuffled), order) == _renumbered(judged(*evidence), places)


@given(ANY_EVIDENCE)
@settings(deadline=None, max_examples=40)
def test_the_same_evidence_gives_the_same_bytes(evidence: tuple[Evidence, ...]) -> None:
    again = msgspec.json.decode(msgspec.json.encode(evidence), type=EvidenceList)
    assert msgspec.json.encode(judged(*evidence)) == msgspec.json.encode(judged(*again))


def test_another_process_with_another_hash_seed_gives_the_same_bytes() -> None:
    requests = [VerdictRequest(evidence=items) for items in (COTTERED, RAISED, (stamp("35x1"), width(67)))]
    lines = b"".join(msgspec.json.encode(request) + b"\n" for request in requests)
    answers = [
        subprocess.run(  # noqa: S603 - the interpreter that runs the tests
            [sys.executable, "-c", ANOTHER_PROCESS],
            input=lines,
            capture_output=True,
            check=True,
            env=os.environ | {"PYTHONHASHSEED": seed},
        ).stdout
        for seed in ("1", "4242")
    ]
    here = b"".join(msgspec.json.encode(judge(request, ShopSettings(), Trace())) + b"\n" for request in requests)
    assert answers == [here, here]


def test_a_verdict_in_inches_states_the_same_shell() -> None:
    inches = judge(VerdictRequest(evidence=COTTERED, settings=ShopSettings(units="in")), ShopSettings(), Trace())
    assert inches.shell_width.nominal.unit == "in"
    assert inches.shell_width.nominal.value == pytest.approx(68 / 25.4, abs=1e-5)
    assert msgspec.structs.replace(inches, shell_width=judged(*COTTERED).shell_width) == judged(*COTTERED)


def test_readings_in_inches_give_the_verdict_of_the_same_readings_in_millimetres() -> None:
    text = msgspec.json.encode(COTTERED).replace(b'"value":67.0', b'"value":2.6377952755905512')
    text = text.replace(b'"value":67,', b'"value":2.6377952755905512,').replace(b'"mm","tool":"ruler"', b'"in"')
    answer = judged(*msgspec.json.decode(text, type=EvidenceList))
    assert answer.state == "fit_to_order"
    assert answer.leading == judged(*COTTERED).leading
    assert b'"in"' in text


def test_impossible_evidence_is_refused_where_it_stands() -> None:
    with pytest.raises(CotterlineError) as caught:
        verdict([width(300)], ShopSettings(), Trace(), "/bike/evidence")
    assert caught.value.faults[0].pointer == "/bike/evidence/0/reading/value"
