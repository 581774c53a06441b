"""Routes where no stock unit fits: for each, the sizes it depends on, which hold, which fail and by how much.

Sizes and sources: ``data/remedies.toml``. Every route that removes metal from the frame belongs to a frame builder.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Literal, NamedTuple

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.caution import CAUTIONS, Caution
from cotterline.bench.data import load
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import Fault
from cotterline.bench.quantity import Length, Reading, check_span
from cotterline.bench.shell.evidence import Evidence, ShellInsideDiameter
from cotterline.bench.shell.families import FAMILIES, Family, FamilyId, Grade, Shell
from cotterline.bench.shell.thread_form import core_diameter

RouteId = Literal[
    "chase_thread",
    "neighbouring_width",
    "keep_cups",
    "expanding_unit",
    "modular_unit",
    "bevel_unit",
    "retap_italian_both",
    "retap_italian_one_side",
    "retap_iso",
    "plain_bracket",
    "like_for_like",
    "new_shell",
]
Finding = Literal["holds", "fails", "unmeasured"]
Who = Literal["workshop", "frame_builder"]


class ShellCondition(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What else can be seen of the shell, for the remedies.

    Attributes:
        outside_diameter: of the shell tube, 36 to 60 mm.
        threads: ``sound``, ``worn`` or ``stripped``.
        cups: whether the old cups could run on: ``sound`` or ``pitted``.
    """

    outside_diameter: Reading | UnsetType = UNSET
    threads: Literal["sound", "worn", "stripped"] | UnsetType = UNSET
    cups: Literal["sound", "pitted"] | UnsetType = UNSET

    def faults(self, pointer: str) -> Iterator[Fault]:
        """A tube no shell is made of."""
        if isinstance(self.outside_diameter, Reading):
            what = "a shell's outside diameter"
            yield from check_span(self.outside_diameter, (36, 60), what, f"{pointer}/outside_diameter")


class RouteCondition(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One thing a route depends on.

    Attributes:
        what: in words.
        finding: whether it holds, fails, or was not measured.
        have: the size at hand.
        least: the smallest size that holds.
        most: the largest size that holds.
        margin: by how much it holds; negative, by how much it fails.
        source: of the limit.
    """

    what: str
    finding: Finding
    source: str
    have: Length | UnsetType = UNSET
    least: Length | UnsetType = UNSET
    most: Length | UnsetType = UNSET
    margin: Length | UnsetType = UNSET


class Remedy(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One route: it holds when all its conditions do, fails when one fails, and is open while one is unmeasured."""

    route: RouteId
    name: str
    about: str
    finding: Finding
    who: Who
    conditions: tuple[RouteCondition, ...]
    cautions: tuple[Caution, ...]
    grade: Grade


class _Limit(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    value: float
    source: str
    grade: Grade


class _Rings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    families: tuple[FamilyId, ...]
    source: str
    grade: Grade


class _Race(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    spacing: float
    spindles: tuple[float, ...]
    source: str


class _Route(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    id: RouteId
    name: str
    who: Who
    about: str
    grade: Grade
    cautions: tuple[str, ...]


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    limits: dict[str, _Limit]
    rings: _Rings
    race: tuple[_Race, ...]
    route: tuple[_Route, ...]


_TABLE = load("remedies", _Table)
_LIMITS = _TABLE.limits
_ORDER: tuple[Finding, ...] = ("holds", "unmeasured", "fails")


class _Case(NamedTuple):
    """One shell before the routes: what it is, what was measured of it, and where steps are noted."""

    shell: Shell
    condition: ShellCondition
    evidence: Sequence[Evidence]
    trace: Trace

    @property
    def family(self) -> Family:
        return self.shell.original

    @property
    def widest(self) -> float:
        """The largest diameter the old threads reach, mm, as far as sources differ."""
        return max(*self.shell.drive.diameters, *self.shell.non_drive.diameters)


def remedies(shell: Shell, condition: ShellCondition, evidence: Sequence[Evidence], trace: Trace) -> tuple[Remedy, ...]:
    """Every route for this shell: those that hold first, the workshop's before the frame builder's.

    Args:
        shell: the leading shell of a verdict.
        condition: what else was seen of it.
        evidence: the verdict's; a measured inside diameter is used.
        trace: collects the derivation.
    """
    case = _Case(shell, condition, evidence, trace)
    found = [_remedy(route, tuple(_CONDITIONS[route.id](case))) for route in _TABLE.route]
    return tuple(sorted(found, key=lambda remedy: (_ORDER.index(remedy.finding), remedy.who != "workshop")))


def _remedy(route: _Route, conditions: tuple[RouteCondition, ...]) -> Remedy:
    worst = max((_ORDER.index(c.finding) if c.finding != "unmeasured" else 1 for c in conditions), default=0)
    return Remedy(
        route=route.id,
        name=route.name,
        about=route.about,
        finding=_ORDER[worst],
        who=route.who,
        conditions=conditions,
        cautions=tuple(CAUTIONS[code] for code in route.cautions),
        grade=route.grade,
    )


def _said(what: str, holds: bool | None, source: str) -> RouteCondition:  # noqa: FBT001 - the finding itself
    finding: Finding = "unmeasured" if holds is None else "holds" if holds else "fails"
    return RouteCondition(what=what, finding=finding, source=source)


class _Span(NamedTuple):
    """Sizes that hold, mm; open at an end that is None."""

    least: float | None = None
    most: float | None = None


def _sized(case: _Case, what: str, have: float, source: str, span: _Span) -> RouteCondition:
    least, most = span
    margins = []
    if least is not None:
        margins.append(case.trace.note(what, "have - least", have - least, "mm", source, have=have, least=least))
    if most is not None:
        margins.append(case.trace.note(what, "most - have", most - have, "mm", source, have=have, most=most))
    margin = round(min(margins), 6)
    return RouteCondition(
        what=what,
        finding="holds" if margin >= 0 else "fails",
        source=source,
        have=Length.mm(have),
        least=UNSET if least is None else Length.mm(least),
        most=UNSET if most is None else Length.mm(most),
        margin=Length.mm(margin),
    )


def _threaded(case: _Case) -> RouteCondition:
    return _said("the shell has a thread", case.family.threaded, case.family.source)


def _chase_thread(case: _Case) -> Iterator[RouteCondition]:
    yield _threaded(case)
    threads = case.condition.threads
    yield _said(
        "the thread is not stripped",
        None if isinstance(threads, UnsetType) else threads != "stripped",
        "common practice, no source",
    )
    inside = [item for item in case.evidence if isinstance(item, ShellInsideDiameter)]
    for item in inside:
        yield from _thread_height(case, item)


def _thread_height(case: _Case, item: ShellInsideDiameter) -> Iterator[RouteCondition]:
    family = case.shell.at(item.side)
    if family.pitch is None:
        return
    limit = _LIMITS["least_thread_height"]
    core = core_diameter(family.diameter, family.pitch.mm, family.form)
    least = limit.value * (family.diameter - core) / 2
    height = case.trace.note(
        f"thread height left, {item.side}",
        "(outside - inside) / 2",
        (family.diameter - item.reading.mm) / 2,
        "mm",
        "thread geometry (ISO 68-1:1998)",
        outside=family.diameter,
        inside=item.reading.mm,
    )
    yield _sized(
        case, f"thread height left on the {item.side.replace('_', '-')} side", height, limit.source, _Span(least=least)
    )


def _neighbouring_width(case: _Case) -> Iterator[RouteCondition]:
    family, width, limit = case.family, case.shell.width, _LIMITS["neighbouring_width"]
    yield _said("both sides have the same thread", not case.shell.mixed, "common practice, no source")
    others = [made for made in family.stock_widths if made != width]
    yield _said(f"units for {family.designation} are made in another width", bool(others), family.source)
    if others:
        nearest = min(others, key=lambda made: abs(made - width))
        what = f"difference from the nearest width made, {nearest:g} mm"
        yield _sized(case, what, abs(nearest - width), limit.source, _Span(most=limit.value))


def _keep_cups(case: _Case) -> Iterator[RouteCondition]:
    yield _threaded(case)
    cups = case.condition.cups
    yield _said(
        "the cups' races are not pitted",
        None if isinstance(cups, UnsetType) else cups == "sound",
        "common practice, no source",
    )
    offset, slack = _LIMITS["race_spacing_offset"], _LIMITS["race_spacing_slack"]
    wanted = case.trace.note(
        "race spacing wanted", "width - offset", case.shell.width - offset.value, "mm", offset.source,
        width=case.shell.width, offset=offset.value,
    )  # fmt: skip
    race = min(_TABLE.race, key=lambda row: abs(row.spacing - wanted))
    lengths = ", ".join(f"{length:g}" for length in race.spindles)
    what = f"race spacing of the nearest spindle ({race.spacing:g} mm; lengths {lengths} mm)"
    yield _sized(case, what, race.spacing, slack.source, _Span(wanted - slack.value, wanted + slack.value))


def _expanding_unit(case: _Case) -> Iterator[RouteCondition]:
    yield _threaded(case)
    low, high = _LIMITS["expanding_low"], _LIMITS["expanding_high"]
    diameter = round(case.widest, 1)
    yield _sized(case, "diameter of the shell's thread", diameter, low.source, _Span(low.value, high.value))
    made_for, collars = _LIMITS["expanding_width"], _LIMITS["expanding_collars"]
    yield _sized(
        case, "shell no narrower than the unit is made for", case.shell.width, made_for.source, _Span(made_for.value)
    )
    extra = max(0.0, case.shell.width - made_for.value) / 2
    yield _sized(case, "collar needed on each side", extra, collars.source, _Span(most=collars.value))


def _modular_unit(case: _Case) -> Iterator[RouteCondition]:
    rings = _TABLE.rings
    for family in {case.shell.drive.id: case.shell.drive, case.shell.non_drive.id: case.shell.non_drive}.values():
        yield _said(f"rings are made for {family.designation}", family.id in rings.families, rings.source)


def _bevel_unit(case: _Case) -> Iterator[RouteCondition]:
    low, high = _LIMITS["bevel_width_low"], _LIMITS["bevel_width_high"]
    yield _sized(case, "shell width", case.shell.width, low.source, _Span(low.value, high.value))


def _wall(case: _Case, cut: float) -> RouteCondition:
    limit = _LIMITS["least_wall"]
    tube = case.condition.outside_diameter
    what = f"wall left outside a {cut:g} mm cut"
    if isinstance(tube, UnsetType):
        return _said(f"{what}: measure the shell's outside diameter", None, limit.source)
    wall = case.trace.note(
        what, "(tube - cut) / 2", (tube.mm - cut) / 2, "mm", "geometry of a round shell", tube=tube.mm, cut=cut
    )
    return _sized(case, what, wall, limit.source, _Span(limit.value))


def _retap_italian(case: _Case) -> Iterator[RouteCondition]:
    yield _threaded(case)
    bore = _LIMITS["italian_bore"]
    what = "old thread's outside diameter, within the bore that clears it"
    yield _sized(case, what, case.widest, bore.source, _Span(most=bore.value))
    yield _wall(case, FAMILIES["italian"].diameter)


def _retap_italian_both(case: _Case) -> Iterator[RouteCondition]:
    yield from _retap_italian(case)
    low, high = _LIMITS["italian_width_low"], _LIMITS["italian_width_high"]
    yield _sized(case, "shell width", case.shell.width, f"{low.source}; {high.source}", _Span(low.value, high.value))


def _retap_italian_one_side(case: _Case) -> Iterator[RouteCondition]:
    yield from _retap_italian(case)
    rings = _TABLE.rings
    yield _said(
        f"rings are made for {case.family.designation}, on the side that stays",
        case.family.id in rings.families,
        rings.source,
    )


def _retap_iso(case: _Case) -> Iterator[RouteCondition]:
    yield _threaded(case)
    iso = FAMILIES["iso_english"]
    pitch = 25.4 / 24 if iso.pitch is None else iso.pitch.mm
    core = core_diameter(iso.diameter, pitch)
    what = "old thread's outside diameter, within the new thread's core"
    yield _sized(case, what, case.widest, "thread geometry (ISO 68-1:1998): a new thread needs metal", _Span(most=core))


def _plain_bracket(case: _Case) -> Iterator[RouteCondition]:
    yield _threaded(case)
    bores = [family.diameter for family in FAMILIES.values() if family.id.startswith("thompson")]
    bore = min((bore for bore in bores if bore >= case.widest), default=max(bores))
    what = "old thread's outside diameter, within the reamed bore"
    yield _sized(case, what, case.widest, "workshop references: plain bores 30 to 45 mm", _Span(most=bore))
    yield _wall(case, bore)


def _like_for_like(case: _Case) -> Iterator[RouteCondition]:
    yield _said("the shell is plain", not case.family.threaded, case.family.source)


def _new_shell(case: _Case) -> Iterator[RouteCondition]:
    yield _said(f"a frame builder takes the shell on ({case.family.name})", True, "common practice, no source")  # noqa: FBT003 - it always can be asked


_CONDITIONS: dict[RouteId, Callable[[_Case], Iterator[RouteCondition]]] = {
    "chase_thread": _chase_thread,
    "neighbouring_width": _neighbouring_width,
    "keep_cups": _keep_cups,
    "expanding_unit": _expanding_unit,
    "modular_unit": _modular_unit,
    "bevel_unit": _bevel_unit,
    "retap_italian_both": _retap_italian_both,
    "retap_italian_one_side": _retap_italian_one_side,
    "retap_iso": _retap_iso,
    "plain_bracket": _plain_bracket,
    "like_for_like": _like_for_like,
    "new_shell": _new_shell,
}
