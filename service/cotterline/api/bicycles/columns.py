"""The columns a CSV file of bicycles may have: what stands in each, and where it goes in a quote request.

``COLUMNS`` is the one table that the reader, the help text and the tests share. A path leads to a member of the
request, its parts parted by dots; evidence is named by its kind and, where it has one, its side. Three branches have
no place of their own until the whole row is read: ``aim`` chooses one of ``line``, and ``line.rear`` and ``rings``
serve both the spindle and the drivetrain.
"""

from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType
from typing import Final, Literal, NamedTuple

Cell = Literal["text", "number", "whole", "wholes", "length"]
"""How a cell is read. A ``length`` is a number that may have the three ``COMPANIONS`` beside it."""

COMPANIONS: Final[Mapping[str, Cell]] = {"unit": "text", "tool": "text", "plus_minus": "number"}
"""Added with an underscore to a length's name; each goes into the reading beside its value."""

_MEASURED: Final = "measured_chain_line"


class Column(NamedTuple):
    """One column.

    Attributes:
        name: as the header spells it.
        cell: how its cells are read.
        path: where the value goes.
        words: what stands in it.
        also: further members that a filled cell settles, path to value.
        needs: names of columns that must be filled beside it; of those parted by a bar, one.
    """

    name: str
    cell: Cell
    path: str
    words: str
    also: Mapping[str, str] = MappingProxyType({})
    needs: tuple[str, ...] = ()


def _of_the_bicycle() -> Iterator[Column]:
    yield Column("reference", "text", "reference", "the shop's own name for the job")
    yield Column("unit", "text", "unit", "mm or in: of every length in the row that names no other; mm if empty")
    yield Column("answer_unit", "text", "settings.units", "mm or in: of the lengths in the answer")
    yield Column("country", "text", "evidence.origin.country", "country of make, two letters of ISO 3166-1")
    yield Column("earliest_year", "whole", "evidence.origin.earliest_year", "first year it can have been made")
    yield Column("latest_year", "whole", "evidence.origin.latest_year", "last year it can have been made")
    yield Column("old_crank", "text", "evidence.old_crank.crank", "cottered, square_taper, one_piece or splined")
    yield Column("shell_width", "length", "evidence.shell_width.reading", "bare shell, face to face")


def _of_one_side(side: Literal["drive", "non_drive"]) -> Iterator[Column]:
    where = side.replace("_", "-")
    gauge, count = f"evidence.pitch_gauge {side}", f"evidence.crest_count {side}"
    inside, hand, cup = f"shell_inside_diameter {side}", f"cup_hand {side}", f"cup_outside_diameter {side}"
    for unit in ("tpi", "mm"):
        words = f"{where} side: leaf of the pitch gauge that sat best, in {unit}"
        yield Column(f"{side}_gauge_{unit}", "number", f"{gauge}.leaf", words, {f"{gauge}.leaf_unit": unit})
    leaf = f"{side}_gauge_tpi|{side}_gauge_mm"
    words = f"{where} side: length of thread the leaf lay on"
    yield Column(f"{side}_gauge_over", "length", f"{gauge}.thread_length", words, needs=(leaf,))
    crests, over = f"{side}_crests", f"{side}_crests_over"
    yield Column(crests, "whole", f"{count}.crests", f"{where} side: crests counted", needs=(over,))
    yield Column(over, "length", f"{count}.length", f"{where} side: first of them to last", needs=(crests,))
    yield Column(f"{side}_cup_diameter", "length", f"evidence.{cup}.reading", f"{where} cup, over its thread")
    words = f"{where} side of the shell, inside its thread or bore"
    yield Column(f"{side}_inside_diameter", "length", f"evidence.{inside}.reading", words)
    yield Column(f"{side}_hand", "text", f"evidence.{hand}.hand", f"left or right: thread of the {where} cup")
    yield Column(f"{side}_bore", "text", f"evidence.bore {side}.look", f"threaded or plain: {where} side of the shell")
    yield Column(f"{side}_stamp", "text", f"evidence.stamp {side}.text", f"stamped on the {where} cup, as read")


def _of_the_shell() -> Iterator[Column]:
    words = "both, adjustable_only or neither: cups with a raised fitting for the tool"
    yield Column("cup_fittings", "text", "evidence.cup_fittings.raised", words)
    yield Column("fixed_cup_flats", "length", "evidence.fixed_cup_flats.reading", "fixed cup, across its flats")
    yield Column("shell_diameter", "length", "shell_condition.outside_diameter", "shell tube, outside")
    yield Column("threads", "text", "shell_condition.threads", "sound, worn or stripped")
    yield Column("cups", "text", "shell_condition.cups", "sound or pitted: whether the old cups could run on")


def _of_the_chain_line() -> Iterator[Column]:
    yield Column("aim", "text", "aim", "which chain line the new rings shall reach: old, rear, stated or nominal")
    old = {"line.old.aim": "old", "line.old.measurement.method": _MEASURED}
    yield Column("old_chain_line", "length", "line.old.measurement.chain_line", "of the old rings", old)
    stated = {"line.stated.aim": "stated"}
    yield Column("stated_chain_line", "length", "line.stated.chain_line", "as somebody asks for it", stated)
    nominal = {"line.nominal.aim": "nominal"}
    words = "kind of drivetrain, such as road_double or track"
    yield Column("nominal_chain_line", "text", "line.nominal.kind", words, nominal)
    rear = "line.rear.measurement"
    width = ("rear_gap|rear_to_sprocket",)
    words = "rear hub, over the locknuts"
    yield Column("rear_locknut_width", "length", f"{rear}.locknut_width", words, {"line.rear.aim": "rear"}, needs=width)
    single = {f"{rear}.method": "single_sprocket"}
    words = "drive-side locknut face to middle of the only sprocket"
    yield Column("rear_to_sprocket", "length", f"{rear}.to_sprocket", words, single, needs=("rear_locknut_width",))
    cluster = {f"{rear}.method": "cluster_from_locknut"}
    words = "drive-side locknut face to smallest sprocket of several"
    yield Column("rear_gap", "length", f"{rear}.gap", words, cluster, needs=("rear_locknut_width", "rear_sprockets"))
    words = "how many sprockets, 2 or more"
    yield Column("rear_sprockets", "whole", f"{rear}.cluster.sprockets", words, cluster, needs=("rear_gap",))


def _of_the_spindle() -> Iterator[Column]:
    crank, near = "spindle.crank", "spindle.surroundings"
    cotter, pair = {f"{crank}.known_by": "cotter_distance"}, {f"{crank}.known_by": "reference_pair"}
    measured = {f"{crank}.chain_line.method": _MEASURED}
    yield Column("cotter_distance", "length", f"{crank}.distance", "old cotters, centre to centre", cotter)
    words = "a spindle length this crank's chain line is known on"
    yield Column("reference_spindle", "length", f"{crank}.spindle_length", words, pair)
    words = "the crank's chain line on that spindle; empty if it is the old chain line aimed at"
    known = ("reference_spindle",)
    yield Column("reference_chain_line", "length", f"{crank}.chain_line.chain_line", words, measured, known)
    yield Column("reference_taper", "text", f"{crank}.spindle_taper", "iso or jis: that spindle's ends", needs=known)
    yield Column("crank_taper", "text", f"{crank}.taper", "iso, jis or unknown: the new crank's square holes")
    yield Column("crank_model", "text", f"{crank}.model", "what the shop calls it; fit reports of it count together")
    yield Column("crank_gtin", "text", f"{crank}.gtin", "its trade item number; other shops' reports count under it")
    yield Column("cartridge_taper", "text", "spindle.unit.taper", "iso or jis: the new unit's ends, if not the crank's")
    yield Column("cartridge_spacer_mm", "number", "spindle.unit.spacer_mm", "spacer under its flange, always mm")
    yield Column("ring_gap", "length", f"{near}.ring.gap", "chainring to chainstay")
    yield Column("drive_arm_gap", "length", f"{near}.drive_arm.gap", "drive-side arm to chainstay")
    yield Column("non_drive_arm_gap", "length", f"{near}.non_drive_arm", "non-drive arm to chainstay")


def _of_the_gears() -> Iterator[Column]:
    yield Column("rings", "whole", "rings.count", "how many chainrings")
    yield Column("ring_spacing", "length", "rings.spacing", "ring to ring, middle to middle", needs=("rings",))
    yield Column("ring_thickness", "length", "rings.thickness", "one ring, at its teeth", needs=("rings",))
    yield Column("ring_teeth", "wholes", "rings.teeth", "teeth of each ring, outermost first, blanks between")
    words = "bottom bracket to rear axle; filled, every gear's chain angle is worked out"
    wheel = ("rings", "rear_locknut_width")
    yield Column("chainstay", "length", "drivetrain.chainstay_length", words, needs=wheel)
    words = "teeth of each sprocket, outermost first, blanks between"
    yield Column("sprocket_teeth", "wholes", "drivetrain.sprocket_teeth", words, needs=("chainstay",))
    yield Column("chain_speeds", "whole", "drivetrain.chain_speeds", "what the chain is made for", needs=("chainstay",))


def _of_the_job() -> Iterator[Column]:
    yield Column("rust", "text", "job.rust", "none, light or heavy: on bracket, cotters and shell")
    yield Column("years_since_service", "number", "job.years_since_service", "years since the bracket was last apart")
    yield Column("cup_metal", "text", "job.cup_metal", "steel or alloy: of the old cups")
    yield Column("cotter_nuts", "text", "job.cotter_nuts", "free or seized: whether the cotters' nuts turn")


COLUMNS: Final[Mapping[str, Column]] = {
    column.name: column
    for columns in (
        _of_the_bicycle(),
        _of_one_side("drive"),
        _of_one_side("non_drive"),
        _of_the_shell(),
        _of_the_chain_line(),
        _of_the_spindle(),
        _of_the_gears(),
        _of_the_job(),
    )
    for column in columns
}
"""Every column by its name, in the order their values go into a request."""


def companion(name: str) -> tuple[Column, str] | None:
    """The length a companion column belongs to, and which of its three companions it is; None if it is no companion.

    >>> found = companion("shell_width_tool")
    >>> (found[0].name, found[1])
    ('shell_width', 'tool')
    >>> companion("reference_tool") is None
    True
    """
    for ending in COMPANIONS:
        column = COLUMNS.get(name.removesuffix(f"_{ending}"))
        if column is not None and name != column.name and column.cell == "length":
            return column, ending
    return None


def every_name() -> Iterator[str]:
    """Every name a header may have, companions included."""
    for column in COLUMNS.values():
        yield column.name
        if column.cell == "length":
            yield from (f"{column.name}_{ending}" for ending in COMPANIONS)


def _number(text: str) -> float:
    return int(text) if text.lstrip("-").isdigit() else float(text)


def _text(text: str) -> str:
    return text


def _wholes(text: str) -> list[int]:
    return [int(part) for part in text.split()]


READERS: Final[Mapping[Cell, Callable[[str], object]]] = {
    "text": _text,
    "number": _number,
    "length": _number,
    "whole": int,
    "wholes": _wholes,
}
"""What a cell of each kind becomes once its spelling is found right."""
