"""Invented bicycles from a seed, as quote requests: any number of them, each made only when it is asked for.

A bicycle follows from the seed and its number alone, so it is the same however many are made. Most are what a shop
sees; some readings contradict each other, and a few hold what no bicycle has and are refused. What is drawn, and how
often, is judgement, and no study of bicycles.
"""

import csv
import io
import random
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple

import msgspec

from cotterline.api.bicycles.columns import COLUMNS, COMPANIONS, every_name

Bike = dict[str, Any]
"""A quote request as its JSON says it."""

SEED: Final = 20261127
REFUSED_SHARE: Final = 0.03
"""Bicycles with something that is refused."""


class Frame(NamedTuple):
    """One kind of shell as it is met.

    Attributes:
        share: how often, among all shares.
        leaf: of the pitch gauge that sits, with its unit; none on a plain bore.
        cup: outside diameter of its cups, or of what fills the bore, mm.
        hand: of the drive-side thread.
        widths: of the shell, mm.
        stamps: on its cups.
        countries: where such bicycles were made.
    """

    share: int
    leaf: tuple[float, str] | None
    cup: float
    hand: str
    widths: tuple[float, ...]
    stamps: tuple[str, ...]
    countries: tuple[str, ...]


FRAMES: Final = (
    Frame(58, (24, "tpi"), 34.7, "left", (68, 68, 73), ("1.37x24", "B.C. 1.37 x 24"), ("GB", "JP", "US", "NZ")),
    Frame(12, (26, "tpi"), 34.7, "left", (71, 76), ("1.37x26", "1 3/8 x 26"), ("GB",)),
    Frame(12, (24, "tpi"), 35.8, "right", (70,), ("36x24", "36 mm x 24 TPI"), ("IT",)),
    Frame(10, (1, "mm"), 34.9, "right", (68,), ("35x1", "35 x 1"), ("FR",)),
    Frame(4, (1, "mm"), 34.9, "left", (68,), ("35x1", "M35x1"), ("CH", "FR")),
    Frame(4, None, 40.0, "left", (68,), ("3",), ("DE", "US")),
)
MODELS: Final = tuple(f"{name} {rings}" for name in ("weir", "lock", "sluice", "towpath") for rings in (1, 2, 3))
COLOURS: Final = (
    "Green",
    "Ochre",
    "Black",
    "Red",
    "Silver",
    "Cream",
    "Blue",
    "Grey",
    "White",
    "Brown",
    "Weiß",
    "Ivoire",
)
SORTS: Final = ("roadster", "tourer", "carrier bicycle", "road racer", "shopper", "tandem, front", "Straßenrad")
NOMINAL: Final = ("road_double", "road_triple", "track", "hub_gear_or_coaster", "rear_end_126_double")
ENDINGS: Final = ("", *(f"_{ending}" for ending in COMPANIONS))
NAMES: Final = tuple(every_name())


class Invention:
    """One bicycle being drawn.

    Args:
        chance: where everything drawn comes from.
        by_row: whether it shall hold only what a row of a table can.
    """

    def __init__(self, chance: random.Random, *, by_row: bool) -> None:
        self._chance, self._by_row = chance, by_row
        self._frame = chance.choices(FRAMES, [frame.share for frame in FRAMES])[0]
        self._rings = chance.choice((1, 1, 2, 3))
        self._spacing = self._reading(7, "caliper")
        self._rear = self._rear_line()

    def bike(self) -> Bike:
        """The bicycle."""
        made: Bike = {
            "evidence": [*self._evidence()],
            "reference": f"{self._one(COLOURS)} {self._one(SORTS)} {self._chance.randrange(10_000)}",
            "shell_condition": self._some(
                0.5,
                outside_diameter=self._reading(40.3),
                threads=self._one(("sound", "sound", "worn", "stripped")),
                cups=self._one(("sound", "pitted")),
            ),
            "job": self._some(
                0.6,
                rust=self._one(("none", "light", "heavy")),
                years_since_service=self._chance.randrange(60),
                cup_metal=self._one(("steel", "alloy")),
                cotter_nuts=self._one(("free", "seized")),
            ),
        }
        made |= {"spindle": self._spindle()} if self._happens(0.85) else {}
        made |= {"drivetrain": self._drivetrain()} if self._happens(0.4) else {}
        made |= {"settings": {"units": "in"}} if self._happens(0.1) else {}
        if not self._by_row:
            made |= self._beyond_rows(made)
        if self._happens(REFUSED_SHARE):
            self._spoil(made)
        return made

    def _happens(self, share: float) -> bool:
        return self._chance.random() < share

    def _one(self, choices: Sequence[Any]) -> Any:  # noqa: ANN401 - one of whatever there is to choose from
        return self._chance.choice(choices)

    def _some(self, share: float, **members: object) -> dict[str, object]:
        """Each of the members as often as that."""
        return {name: value for name, value in members.items() if self._happens(share)}

    def _reading(self, size: float, tool: str = "") -> dict[str, object]:
        """A reading of a size in mm, as far off as its tool is."""
        tool = tool or self._one(("ruler", "caliper", "caliper", "gauge"))
        sd, step = {"ruler": (0.5, 0.5), "caliper": (0.05, 0.02), "gauge": (0.2, 0.1)}[tool]
        read = round(round(self._chance.uniform(size - 2 * sd, size + 2 * sd) / step) * step, 2)
        in_inches = self._happens(0.08)
        said: dict[str, object] = {"value": round(read / 25.4, 4), "unit": "in"} if in_inches else {"value": read}
        said |= {"tool": tool} if tool != "ruler" else {}
        return said | ({"plus_minus": 0.02 if in_inches else 0.5} if self._happens(0.08) else {})

    def _evidence(self) -> Iterator[dict[str, object]]:
        frame = self._frame
        years = sorted((1900 + self._chance.randrange(90), 1910 + self._chance.randrange(90)))
        origin = self._some(0.6, country=self._one(frame.countries), earliest_year=years[0], latest_year=years[1])
        if origin:
            yield {"kind": "origin", **origin}
        if self._happens(0.8):
            yield {"kind": "old_crank", "crank": self._one(("cottered", "cottered", "cottered", "square_taper"))}
        if self._happens(0.95):
            yield {"kind": "shell_width", "reading": self._reading(self._one(frame.widths))}
        yield from self._of_one_side("drive", 0.9)
        yield from self._of_one_side("non_drive", 0.35)
        if self._happens(0.2):
            yield {"kind": "cup_fittings", "raised": self._one(("both", "adjustable_only", "neither", "neither"))}
        if self._happens(0.2):
            yield {"kind": "fixed_cup_flats", "reading": self._reading(self._one((35, 36, 36, 38)))}
        if not self._by_row and self._happens(0.02):  # a second stamp on one cup
            yield {"kind": "stamp", "side": "non_drive", "text": self._one(("T47", "EXTRA", "1.45x26"))}

    def _of_one_side(self, side: str, share: float) -> Iterator[dict[str, object]]:
        frame = self._frame if self._happens(0.98) else self._one(FRAMES)  # now and then a cup from another bicycle
        where = {"side": side}
        if frame.leaf is None:
            yield {"kind": "bore", **where, "look": "plain"}
            yield {"kind": "shell_inside_diameter", **where, "reading": self._reading(frame.cup)}
            return
        if self._happens(share):
            yield {"kind": "pitch_gauge", **where, "leaf": frame.leaf[0], "leaf_unit": frame.leaf[1]} | self._some(
                0.2, thread_length=self._reading(9)
            )
        if self._happens(share / 4):
            crests = 4 + self._chance.randrange(8)
            pitch = 25.4 / frame.leaf[0] if frame.leaf[1] == "tpi" else frame.leaf[0]
            length = self._reading((crests - 1) * pitch, "caliper")
            yield {"kind": "crest_count", **where, "crests": crests, "length": length}
        if self._happens(share * 0.8):
            yield {"kind": "cup_outside_diameter", **where, "reading": self._reading(frame.cup, "caliper")}
        if self._happens(share / 4):
            yield {"kind": "shell_inside_diameter", **where, "reading": self._reading(frame.cup - 1, "caliper")}
        if self._happens(share):
            yield {"kind": "cup_hand", **where, "hand": frame.hand if side == "drive" else "right"}
        if self._happens(share / 3):
            yield {"kind": "stamp", **where, "text": self._one(frame.stamps)}

    def _old_line(self) -> dict[str, object]:
        """How the old chain line was measured; a table has one way, a request five."""
        line = self._chance.uniform(39.0, 48.0)
        ways: list[dict[str, object]] = [{"method": "measured_chain_line", "chain_line": self._reading(line)}]
        if not self._by_row:
            tube = {"tube_diameter": self._reading(28.6, "caliper")}
            ways += [
                {"method": "both_sides_of_tube", "far": self._reading(line + 16), "near": self._reading(line - 16)},
                {"method": "tube_to_middle", **tube, "to_middle": self._reading(line - 14.3)},
                {
                    "method": "tube_to_ring_face",
                    **tube,
                    "to_ring_face": self._reading(line - 13),
                    "tooth_thickness": self._reading(2.2, "caliper"),
                },
            ]
        found: dict[str, object] = self._one(ways)
        return found

    def _rear_line(self) -> dict[str, object]:
        width = {"locknut_width": self._reading(self._one((114, 120, 126, 130)), "caliper")}
        if self._happens(0.4):
            return {"method": "single_sprocket", **width, "to_sprocket": self._reading(15)}
        sprockets = 5 + self._chance.randrange(3)
        cluster: dict[str, object] = {"gap": self._reading(4, "caliper"), "cluster": {"sprockets": sprockets}}
        if self._by_row or self._happens(0.7):
            return {"method": "cluster_from_locknut", **width, **cluster}
        return {"method": "counted_sprocket", **width, **cluster, "position": 1 + self._chance.randrange(sprockets)}

    def _spindle(self) -> dict[str, object]:
        old = self._old_line()
        target: dict[str, object] = self._one(
            (
                {"aim": "old", "measurement": old},
                {"aim": "old", "measurement": old},
                {"aim": "rear", "measurement": self._rear},
                {"aim": "stated", "chain_line": self._reading(43.5)},
                {"aim": "nominal", "kind": self._one(NOMINAL)},
            )
        )
        unit = self._some(0.1, taper=self._one(("iso", "jis")), spacer_mm=self._one((0.5, 1, 2)))
        around: dict[str, object] = {}
        if self._happens(0.15):
            around |= {"ring": {"gap": self._reading(8)}, "drive_arm": {"gap": self._reading(9)}}
            around |= {"non_drive_arm": self._reading(10)}
        return {"target": target, "crank": self._crank(target, old), "unit": unit, "surroundings": around}

    def _crank(self, target: Mapping[str, object], old: dict[str, object]) -> dict[str, object]:
        crank: dict[str, object] = {"taper": self._one(("jis", "jis", "iso", "unknown")), "rings": self._rings}
        crank |= {"model": self._one(MODELS)} if self._happens(0.4) else {}
        crank |= {"ring_spacing": self._spacing} if self._rings > 1 else {}
        how = self._chance.random()
        if how < 0.5:
            more: dict[str, object] = {} if target["aim"] == "old" else {"old_chain_line": old}
            distance = self._reading(self._chance.uniform(107, 122))
            return {"known_by": "cotter_distance", "distance": distance, **more, **crank}
        if how < 0.95:
            length = self._reading(self._one((107, 110, 113, 116, 119, 122.5)), "caliper")
            reached = {"method": "measured_chain_line", "chain_line": self._reading(self._chance.uniform(40, 48))}
            more = {} if target["aim"] == "old" and self._happens(0.5) else {"chain_line": reached}
            more |= self._some(0.5, spindle_taper=self._one(("iso", "jis")))
            return {"known_by": "reference_pair", "spindle_length": length, **more, **crank}
        return {"known_by": "unknown", **crank}

    def _drivetrain(self) -> dict[str, object]:
        rings: dict[str, object] = {"count": self._rings}
        if self._rings > 1:
            rings |= {"spacing": self._spacing, "thickness": self._reading(2.2, "caliper")}
        rings |= self._some(0.8, teeth=[48, 38, 28][: self._rings])
        cluster = self._rear.get("cluster", {"sprockets": 1})
        assert isinstance(cluster, dict)
        teeth = [14, 16, 18, 20, 22, 24, 26, 28][: cluster["sprockets"]]
        more = self._some(0.7, sprocket_teeth=teeth, chain_speeds=6 + self._chance.randrange(3))
        return {"rings": rings, "rear": self._rear, "chainstay_length": self._reading(430, "ruler"), **more}

    def _beyond_rows(self, made: Bike) -> Bike:
        """What a request can say and a row cannot; no option that the job does not have, which would be refused."""
        pairs = {f"stand.{number}": self._one(COLOURS) for number in range(self._chance.randrange(4))}
        worn = made["shell_condition"].get("threads") == "worn"
        return self._some(0.6, metadata=pairs, options=["chase_threads"] if worn else [])

    def _spoil(self, made: Bike) -> None:
        """Put something in that is refused: of those that a row can hold as well, save the last."""
        width = {"kind": "shell_width", "reading": {"value": self._one((6.8, 300, -68))}}
        others = [item for item in made["evidence"] if item["kind"] not in {"shell_width", "origin"}]
        origin = {"kind": "origin", "earliest_year": 1960, "latest_year": 1950}
        country = {"kind": "origin", "country": self._one(("gb", "England", "?"))}
        spoilt: list[Bike] = [
            {"evidence": [*others, width]},
            {"evidence": [*others, origin]},
            {"evidence": [*others, country, width]},
            {"job": {"rust": "some"}},
            {"job": {"years_since_service": 900}},
        ]
        made |= self._one(spoilt if self._by_row else [*spoilt, {"colour": "red"}])


def invented(chance: random.Random, *, by_row: bool = False) -> Bike:
    """Draw one bicycle; with ``by_row`` one that a row of a table can hold whole."""
    return Invention(chance, by_row=by_row).bike()


def bikes(count: int, seed: int = SEED, *, first: int = 1, by_row: bool = False) -> Iterator[Bike]:
    """Make bicycles number ``first`` and following."""
    for number in range(first, first + count):
        # Bicycles, not secrets.
        yield invented(random.Random(f"{seed}/{number}"), by_row=by_row)  # noqa: S311


def json_lines(count: int, seed: int = SEED, *, first: int = 1) -> Iterator[bytes]:
    """Make bicycles as JSON, one a line."""
    for bike in bikes(count, seed, first=first):
        yield msgspec.json.encode(bike) + b"\n"


def csv_rows(count: int, seed: int = SEED, *, first: int = 1) -> Iterator[bytes]:
    """Make a table's header and its rows."""
    yield _written(NAMES)
    for bike in bikes(count, seed, first=first, by_row=True):
        filled = cells(bike)
        yield _written([filled.get(name, "") for name in NAMES])


def cells(bike: Bike) -> dict[str, str]:
    """The filled cells of a bicycle's row, by column."""
    tree = _as_columns_lead(bike)
    filled: dict[str, str] = {}
    for column in COLUMNS.values():
        found = _at(tree, column.path)
        if found is None or any(_at(tree, path) != value for path, value in column.also.items()):
            continue
        if isinstance(found, dict):
            told = {ending: found.get(ending.removeprefix("_") or "value") for ending in ENDINGS}
            filled |= {column.name + ending: str(value) for ending, value in told.items() if value is not None}
        else:
            filled[column.name] = " ".join(map(str, found)) if isinstance(found, list) else str(found)
    return filled


def _as_columns_lead(bike: Bike) -> Bike:
    """The request with the branches that columns lead to: evidence by kind and side, and lines and rings by name."""
    items = {" ".join(filter(None, (item["kind"], item.get("side")))): item for item in bike["evidence"]}
    spindle, drivetrain = bike.get("spindle", {}), bike.get("drivetrain", {})
    target, crank = spindle.get("target", {}), spindle.get("crank", {})
    line: dict[str, object] = {}
    if drivetrain:
        line["rear"] = {"aim": "rear", "measurement": drivetrain["rear"]}
    if "old_chain_line" in crank:
        line["old"] = {"aim": "old", "measurement": crank["old_chain_line"]}
    if target:
        line[target["aim"]] = target
    rings = {"count": crank.get("rings"), "spacing": crank.get("ring_spacing")} | drivetrain.get("rings", {})
    return {**bike, "evidence": items, "line": line, "rings": rings, "aim": target.get("aim")}


def _at(tree: object, path: str) -> object:
    for name in path.split("."):
        tree = tree.get(name) if isinstance(tree, dict) else None
    return tree


def _written(cells_of_a_row: Sequence[str]) -> bytes:
    written = io.StringIO()
    csv.writer(written).writerow(cells_of_a_row)
    return written.getvalue().encode()
