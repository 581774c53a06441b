"""Routes where no stock unit fits: published cases, and sizes computed by hand."""

import msgspec
import pytest

from cotterline.bench.caution import CAUTIONS
from cotterline.bench.derivation import Trace
from cotterline.bench.shell.evidence import Evidence
from cotterline.bench.shell.families import SHELLS, FamilyId, Shell
from cotterline.bench.shell.remedies import Finding, Remedy, RouteCondition, RouteId, ShellCondition, remedies
from tests.bench.bikes import inside, mm
from tests.bench.formulas import check_steps

SOUND = ShellCondition(outside_diameter=mm(40.0), threads="worn", cups="sound")


def _shell(drive: FamilyId, width: float, other: FamilyId | None = None) -> Shell:
    wanted = (drive, other or drive, width)
    return next(shell for shell in SHELLS if (shell.drive.id, shell.non_drive.id, shell.width) == wanted)


def _route(shell: Shell, route: RouteId, condition: ShellCondition = SOUND, *evidence: Evidence) -> Remedy:
    trace = Trace()
    found = remedies(shell, condition, evidence, trace)
    if trace.steps:
        check_steps(trace.steps)
    return next(remedy for remedy in found if remedy.route == route)


def _condition(remedy: Remedy, words: str) -> RouteCondition:
    return next(condition for condition in remedy.conditions if words in condition.what)


def _mm(condition: RouteCondition) -> tuple[float, float]:
    """Size at hand and margin, mm."""
    assert isinstance(condition.have, msgspec.Struct)
    assert isinstance(condition.margin, msgspec.Struct)
    return condition.have.value, condition.margin.value


def test_in_a_71_mm_26_tpi_shell_races_55_apart_work() -> None:
    """A published case: race spacing 55 works at 71 mm, 52 does not."""
    found = _route(_shell("british_26", 71), "keep_cups")
    assert found.finding == "holds"
    assert _mm(_condition(found, "race spacing"))[0] == 55.0
    assert "6 mm balls instead of 1/4 in" in found.about


def test_races_52_apart_work_at_68_mm_and_are_3_mm_short_at_71() -> None:
    """Published measurements: 52 suits 68 mm, 55 suits 71 mm."""
    at_68 = _condition(_route(_shell("british_26", 68), "keep_cups"), "race spacing")
    at_71 = _condition(_route(_shell("british_26", 71), "keep_cups"), "race spacing")
    assert _mm(at_68)[0] == 52.0
    assert isinstance(at_71.least, msgspec.Struct)
    assert isinstance(at_71.most, msgspec.Struct)
    assert not at_71.least.value <= 52.0 <= at_71.most.value
    assert at_71.least.value <= 55.0 <= at_71.most.value


def test_no_race_spacing_suits_a_76_mm_shell() -> None:
    found = _route(_shell("british_26", 76), "keep_cups")
    assert found.finding == "fails"
    assert _mm(_condition(found, "race spacing"))[1] < 0


@pytest.mark.parametrize(
    ("condition", "finding"),
    [
        (ShellCondition(cups="sound"), "holds"),
        (ShellCondition(cups="pitted"), "fails"),
        (ShellCondition(), "unmeasured"),
    ],
)
def test_old_cups_are_kept_only_where_their_races_are_sound(condition: ShellCondition, finding: Finding) -> None:
    assert _route(_shell("british_26", 71), "keep_cups", condition).finding == finding


def test_an_expanding_unit_took_collars_in_a_published_71_mm_case() -> None:
    """A published case: a unit made for 68 mm went into 71 mm with 2 mm collars and a 116 instead of a 110."""
    found = _route(_shell("british_26", 71), "expanding_unit")
    assert found.finding == "holds"
    assert _mm(_condition(found, "collar"))[0] == 1.5
    assert "6 mm longer" in found.about
    assert _mm(_condition(_route(_shell("british_26", 68), "expanding_unit"), "collar"))[0] == 0.0


def test_an_expanding_unit_needs_collars_of_4_mm_in_a_76_mm_shell_and_fails() -> None:
    found = _route(_shell("british_26", 76), "expanding_unit")
    assert found.finding == "fails"
    assert _mm(_condition(found, "collar")) == (4.0, -2.0)


def test_an_expanding_unit_does_not_grip_an_italian_shell() -> None:
    """Workshop references: made for 34.8 to 35 mm."""
    assert _mm(_condition(_route(_shell("italian", 70), "expanding_unit"), "diameter")) == (36.0, -1.0)


def test_french_cannot_be_cut_to_iso_for_want_of_1_35_mm_of_metal() -> None:
    """Geometry, ISO 68-1:1998: core 34.798 - 1.0825 x 25.4/24 = 33.652, and the old thread reaches 35.0."""
    found = _route(_shell("french", 68), "retap_iso")
    assert found.finding == "fails"
    assert _mm(_condition(found, "core")) == pytest.approx((35.0, -1.348), abs=0.0006)


@pytest.mark.parametrize("family", ["italian", "swiss", "british_26"])
def test_no_threaded_shell_of_the_trade_can_be_cut_to_iso(family: FamilyId) -> None:
    width = {"italian": 70, "swiss": 68, "british_26": 71}[family]
    assert _route(_shell(family, width), "retap_iso").finding == "fails"


@pytest.mark.parametrize(
    ("tube", "wall", "finding"), [(40.0, 2.0, "holds"), (39.0, 1.5, "holds"), (38.8, 1.4, "fails")]
)
def test_a_26_tpi_shell_takes_italian_threads_both_sides_where_the_wall_is_left(
    tube: float, wall: float, finding: Finding
) -> None:
    """Workshop references: bored to 35.0 and tapped 36 x 24; the wall is (tube - 36) / 2."""
    found = _route(_shell("british_26", 68), "retap_italian_both", ShellCondition(outside_diameter=mm(tube)))
    assert found.finding == finding
    assert _mm(_condition(found, "wall left")) == pytest.approx((wall, wall - 1.5), abs=1e-6)
    assert found.who == "frame_builder"


def test_without_the_tubes_diameter_the_wall_is_unmeasured_and_so_is_the_route() -> None:
    found = _route(_shell("british_26", 71), "retap_italian_both", ShellCondition())
    assert found.finding == "unmeasured"
    assert "measure the shell's outside diameter" in _condition(found, "wall left").what


def test_a_76_mm_shell_is_too_wide_for_an_italian_unit() -> None:
    found = _route(_shell("british_26", 76), "retap_italian_both")
    assert found.finding == "fails"
    assert _mm(_condition(found, "shell width")) == (76.0, -5.0)


def test_oversize_threads_leave_nothing_to_tap_italian() -> None:
    """36.83 mm is past the 35.0 mm bore."""
    found = _route(_shell("oversize_26", 68), "retap_italian_both")
    assert found.finding == "fails"
    assert _mm(_condition(found, "old thread"))[1] == pytest.approx(-1.83)


@pytest.mark.parametrize(
    ("family", "width", "finding"),
    [("iso_english", 68, "holds"), ("french", 68, "holds"), ("swiss", 68, "holds"), ("british_26", 71, "fails")],
)
def test_one_side_is_cut_over_only_where_a_ring_is_made_for_the_other(
    family: FamilyId, width: float, finding: Finding
) -> None:
    assert _route(_shell(family, width), "retap_italian_one_side").finding == finding
    assert _route(_shell(family, width), "modular_unit").finding == finding


def test_a_shell_whose_sides_differ_takes_a_modular_unit_and_no_stock_one() -> None:
    mixed = _shell("iso_english", 68, "italian")
    assert _route(mixed, "modular_unit").finding == "holds"
    assert _route(mixed, "neighbouring_width").finding == "fails"

    assert _route(mixed, "expanding_unit").finding == "fails"
    assert _route(_shell("british_26", 71, "italian"), "modular_unit").finding == "fails"


@pytest.mark.parametrize(("width", "finding"), [(65, "holds"), (68, "holds"), (73, "holds")])
def test_a_bevel_unit_takes_shells_of_65_to_73_mm(width: float, finding: Finding) -> None:
    """Workshop references."""
    family: FamilyId = "thompson_40" if width == 65 else "iso_english"
    assert _route(_shell(family, width), "bevel_unit").finding == finding


def test_a_bevel_unit_is_too_narrow_for_76_mm() -> None:
    assert _mm(_condition(_route(_shell("british_26", 76), "bevel_unit"), "shell width")) == (76.0, -3.0)


def test_a_plain_bracket_is_reamed_past_the_old_thread() -> None:
    """Plain bores 30 to 45 mm: 35 clears 34.925, 38 clears 36."""
    assert _mm(_condition(_route(_shell("british_26", 71), "plain_bracket"), "reamed bore"))[0] == 34.925
    assert "38 mm cut" in _condition(_route(_shell("italian", 70), "plain_bracket"), "wall left").what
    assert _mm(_condition(_route(_shell("italian", 70), "plain_bracket"), "wall left"))[0] == 1.0
    assert _route(_shell("italian", 70), "plain_bracket").finding == "fails"


@pytest.mark.parametrize(
    ("threads", "finding"), [("sound", "holds"), ("worn", "holds"), ("stripped", "fails"), (None, "unmeasured")]
)
def test_a_thread_is_chased_unless_it_is_stripped(threads: str | None, finding: Finding) -> None:
    condition = msgspec.convert({} if threads is None else {"threads": threads}, ShellCondition)
    assert _route(_shell("iso_english", 68), "chase_thread", condition).finding == finding


@pytest.mark.parametrize(("bore", "height", "finding"), [(33.8, 0.499, "holds"), (34.3, 0.249, "fails")])
def test_a_worn_thread_is_chased_while_enough_of_its_height_is_left(
    bore: float, height: float, finding: Finding
) -> None:
    """Height left is (34.798 - bore) / 2; six tenths of 0.573 mm must remain."""
    found = _route(_shell("iso_english", 68), "chase_thread", SOUND, inside(bore))
    assert found.finding == finding
    assert _mm(_condition(found, "thread height left")) == pytest.approx((height, height - 0.344), abs=0.001)


@pytest.mark.parametrize(
    "route", ["chase_thread", "keep_cups", "expanding_unit", "retap_italian_both", "plain_bracket"]
)
def test_nothing_that_needs_a_thread_holds_in_a_plain_shell(route: RouteId) -> None:
    assert _route(_shell("thompson_40", 68), route).finding == "fails"
    assert _route(_shell("thompson_40", 68), "like_for_like").finding == "holds"


def test_a_threaded_shell_takes_no_plain_bracket_like_for_like() -> None:
    assert _route(_shell("iso_english", 68), "like_for_like").finding == "fails"


def test_routes_that_hold_come_first_and_the_workshops_before_the_frame_builders() -> None:
    found = remedies(_shell("british_26", 71), ShellCondition(cups="sound"), (), Trace())
    places = [(("holds", "unmeasured", "fails").index(remedy.finding), remedy.who != "workshop") for remedy in found]
    assert places == sorted(places)
    assert len({remedy.route for remedy in found}) == len(found)


def test_a_route_is_no_better_than_its_worst_condition() -> None:
    for family, width in (("british_26", 76), ("french", 68), ("thompson_40", 68), ("italian", 68), ("t47", 86.5)):
        for remedy in remedies(_shell(family, width), SOUND, (inside(40.0),), Trace()):  # type: ignore[arg-type]
            findings = {condition.finding for condition in remedy.conditions}
            expected = next(f for f in ("fails", "unmeasured", "holds") if f in findings)
            assert remedy.finding == expected
            assert all(condition.source.strip() for condition in remedy.conditions)


def test_structural_work_goes_to_a_frame_builder_with_its_cautions() -> None:
    for remedy in remedies(_shell("british_26", 71), SOUND, (), Trace()):
        codes = {caution.code for caution in remedy.cautions}
        assert codes
        assert codes <= set(CAUTIONS)
        assert (remedy.who == "frame_builder") is ("structural" in codes)


@pytest.mark.parametrize(("tube", "faults"), [(35.9, 1), (36.0, 0), (60.0, 0), (60.1, 1)])
def test_a_tube_no_shell_is_made_of_is_named(tube: float, faults: int) -> None:
    found = list(ShellCondition(outside_diameter=mm(tube)).faults("/shell"))
    assert [fault.pointer for fault in found] == ["/shell/outside_diameter/value"] * faults


def test_a_unit_of_another_width_helps_only_where_another_width_is_made() -> None:
    """Workshop references: French units come for 68 mm alone; 70 mm ISO shells are known from 1970s Japanese frames."""
    assert _route(_shell("french", 68), "neighbouring_width").finding == "fails"
    assert _route(_shell("iso_english", 70), "neighbouring_width").finding == "holds"
    assert _route(_shell("iso_english", 83), "neighbouring_width").finding == "fails"
