"""The page about evidence lists each kind and what it weighs: ``python -m tests.docs.test_evidence_page`` renews it."""

import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import get_args

import msgspec

from cotterline.bench.quantity import TOOL_PLUS_MINUS, Reading
from cotterline.bench.shell.evidence import (
    BACKGROUND,
    DIRECT,
    Bore,
    CrestCount,
    CupFittings,
    CupHand,
    CupOutsideDiameter,
    Evidence,
    FixedCupFlats,
    OldCrank,
    Origin,
    PitchGauge,
    ShellInsideDiameter,
    ShellWidth,
    Stamp,
    kind,
)
from cotterline.bench.shell.families import FAMILIES, FamilyId
from cotterline.bench.shell.likelihood import MODELS
from cotterline.bench.shell.observation import observation
from cotterline.bench.shell.posterior import Posterior
from tests.benchmarks.learning_page import with_section

PAGE = Path(__file__).parents[2] / "service/docs/evidence.md"
OURS: FamilyId = "iso_english"
RIVALS: tuple[FamilyId, ...] = ("italian", "french", "swiss", "british_26", "thompson_35")
ABSURD = Reading(value=999)


def caliper(value: float) -> Reading:
    return Reading(value=value, tool="caliper")


WEIGHED: dict[str, Evidence] = {
    "drive side, 24 tpi sits best": PitchGauge(side="drive", leaf=24, leaf_unit="tpi"),
    "drive side, 8 crests over 7.4 mm, caliper": CrestCount(side="drive", crests=8, length=caliper(7.4)),
    "drive side, 34.7 mm, caliper": CupOutsideDiameter(side="drive", reading=caliper(34.7)),
    "drive side, 34.7 mm, ruler": CupOutsideDiameter(side="drive", reading=Reading(value=34.7)),
    "drive side, 33.7 mm, caliper": ShellInsideDiameter(side="drive", reading=caliper(33.7)),
    "68 mm, caliper": ShellWidth(reading=caliper(68)),
    "68 mm, ruler": ShellWidth(reading=Reading(value=68)),
    "drive side, left-hand": CupHand(side="drive", hand="left"),
    "drive side, threaded": Bore(side="drive", look="threaded"),
    "drive side, 1.370 x 24": Stamp(side="drive", text="1.370 x 24"),
    "raised on neither": CupFittings(raised="neither"),
    "36 mm, caliper": FixedCupFlats(reading=caliper(36)),
    "cottered": OldCrank(crank="cottered"),
    "made in Britain": Origin(country="GB"),
    "made in France": Origin(country="FR"),
}
OUT_OF_RANGE: tuple[Evidence, ...] = (
    PitchGauge(side="drive", leaf=5, leaf_unit="tpi"),
    PitchGauge(side="drive", leaf=50, leaf_unit="mm"),
    CrestCount(side="drive", crests=8, length=ABSURD),
    CupOutsideDiameter(side="drive", reading=ABSURD),
    ShellInsideDiameter(side="drive", reading=ABSURD),
    ShellWidth(reading=ABSURD),
    FixedCupFlats(reading=ABSURD),
    Origin(earliest_year=1970, latest_year=1960),
)


def tools() -> Iterator[str]:
    yield from ("| tool | plus-minus, mm |", "| --- | --- |")
    yield from (f"| `{tool}` | {spread:g} |" for tool, spread in TOOL_PLUS_MINUS.items())


def kinds() -> Iterator[str]:
    yield from ("| kind | members | range | slips | speaks | what it is |", "| --- | --- | --- | --- | --- | --- |")
    for each in get_args(Evidence):
        name = each.__struct_config__.tag
        what = (each.__doc__ or "").splitlines()[0].replace("|", "\\|")
        slips = getattr(getattr(MODELS, name, None), "slip", "")
        yield f"| `{name}` | {members(each)} | {bounds(each)} | {slips} | {subject(each)} | {what} |"


def members(of: type[Evidence]) -> str:
    fields = msgspec.structs.fields(of)
    return ", ".join(f"`{each.name}`" if each.required else f"(`{each.name}`)" for each in fields)


def bounds(of: type[Evidence]) -> str:
    faults = [fault.detail for item in OUT_OF_RANGE if isinstance(item, of) for fault in item.faults("")]
    told = [re.search(r"( over \d+ crests)? must be ([^;]+);", words) for words in faults]
    return ", ".join(found[2] + (found[1] or "") for found in told if found)


def subject(of: type[Evidence]) -> str:
    if of in BACKGROUND:
        return "of the bicycle"
    return "names the thread" if of in DIRECT else "for a thread" if of is not ShellWidth else "of the width"


def weights() -> Iterator[str]:
    names = [FAMILIES[rival].name for rival in RIVALS]
    yield f"| item | {' | '.join(names)} |"
    yield f"| --- |{' --- |' * len(RIVALS)}"
    for words, item in WEIGHED.items():
        yield f"| `{kind(item)}` {words} | {' | '.join(f'{weight(item, rival):.1f}' for rival in RIVALS)} |"


def weight(item: Evidence, rival: FamilyId) -> float:
    """Decibans by which an item moves the odds of our family's whole shell against a rival's."""
    before, after = odds([], rival), odds([item], rival)
    return round(10 * math.log10(after / before), 1) + 0.0


def odds(items: Sequence[Evidence], rival: FamilyId) -> float:
    pairs = Posterior([observation(item) for item in items]).pairs
    return pairs[OURS, OURS] / pairs[rival, rival]


def renewed(page: str) -> str:
    for name, made in (("tools", tools()), ("kinds", kinds()), ("weights", weights())):
        page = with_section(page, name, "\n".join(made))
    return page


def test_the_page_lists_every_kind_and_what_it_weighs() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page == renewed(page)


def test_every_kind_is_weighed() -> None:
    assert {type(item) for item in WEIGHED.values()} == {*get_args(Evidence)}


def test_no_item_but_a_stamp_tells_the_thread_from_every_other() -> None:
    """The page says so below its table."""
    decisive = {kind(item) for item in WEIGHED.values() if min(weight(item, rival) for rival in RIVALS) > 10}
    assert decisive == {"stamp"}


if __name__ == "__main__":
    PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
