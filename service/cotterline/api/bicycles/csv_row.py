"""One row of a CSV file as the JSON a client of the service would send.

The row is first a tree whose leaves know the column they came from. The service's own reading then checks everything
but the spelling of numbers, and whatever it finds at a JSON pointer is told by column.
"""

import re
from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

import msgspec

from cotterline.api.bicycles.bike import Bike, Refused, read
from cotterline.api.bicycles.columns import COLUMNS, COMPANIONS, READERS, Cell, Column, companion
from cotterline.api.csv_text import is_utf_8
from cotterline.bench.errors import Fault

AIMS: Final[Mapping[str, str]] = {
    "old": "old_chain_line",
    "rear": "rear_locknut_width",
    "stated": "stated_chain_line",
    "nominal": "nominal_chain_line",
}
"""What ``aim`` may be, and the column each needs."""

_SHOWN: Final = 40
_DECIMAL_COMMA: Final = re.compile(r"-?[0-9]+,[0-9]+")
_NUMBER: Final = re.compile(r"-?[0-9]{1,9}(\.[0-9]{1,9})?")
_SPELLINGS: Final[Mapping[Cell, tuple[re.Pattern[str], str]]] = {
    "text": (re.compile(r"[\s\S]*"), ""),
    "number": (_NUMBER, "a number such as 24 or 67.5"),
    "length": (_NUMBER, "a number such as 67.5; its unit and its tool have columns of their own"),
    "whole": (re.compile(r"[0-9]{1,9}"), "a whole number such as 24"),
    "wholes": (re.compile(r"[0-9]{1,9}( +[0-9]{1,9})*"), "whole numbers with blanks between, such as 48 38 28"),
}


class Leaf(NamedTuple):
    """A value and the column that gave it."""

    value: object
    column: str


Branch = dict[str, "Leaf | Branch"]


def bike(place: str, cells: Mapping[str, str]) -> Bike | Refused:
    """The bicycle in the cells of one row, by column; an empty cell says nothing."""
    filled = {name: cell.strip() for name, cell in cells.items() if cell.strip()}
    tree: Branch = {}
    faults = [fault for name, column in COLUMNS.items() if name in filled for fault in _fill(tree, column, filled)]
    faults += [fault for name in filled for fault in _alone(name, filled)]
    if not faults:
        faults += _arrange(tree)
    if faults:
        reference = filled.get("reference", "")
        return Refused(place, reference if is_utf_8(reference) else "", tuple(faults))
    columns: dict[str, str] = {}
    evidence = [_item(name, item) for name, item in _branch(tree, "evidence").items()]
    return read(place, msgspec.json.encode(_plain({**tree, "evidence": evidence}, "", columns)), columns)


def _alone(name: str, filled: Mapping[str, str]) -> Iterator[Fault]:
    found = companion(name)
    if found is not None and found[0].name not in filled:
        yield Fault(name, f"stands there without {found[0].name}")


def _fill(tree: Branch, column: Column, filled: Mapping[str, str]) -> Iterator[Fault]:
    """Put one column's cell into the tree, with its companions and what it settles besides."""
    for wanted in column.needs:
        if not any(name in filled for name in wanted.split("|")):
            yield Fault(column.name, f"needs {wanted.replace('|', ' or ')} beside it")
    if column.cell == "length":
        yield from _fill_length(tree, column, filled)
    elif column.name != "unit":  # it goes into the lengths
        yield from _put(tree, column.path, _leaf(column.name, column.cell, filled[column.name]))
    for path, value in column.also.items():
        yield from _put(tree, path, Leaf(value, column.name))


def _fill_length(tree: Branch, column: Column, filled: Mapping[str, str]) -> Iterator[Fault]:
    yield from _put(tree, f"{column.path}.value", _leaf(column.name, column.cell, filled[column.name]))
    for ending, cell in COMPANIONS.items():
        name = f"{column.name}_{ending}"
        if name in filled:
            yield from _put(tree, f"{column.path}.{ending}", _leaf(name, cell, filled[name]))
        elif ending in filled:  # the row's own unit
            yield from _put(tree, f"{column.path}.{ending}", _leaf(ending, cell, filled[ending]))


def _leaf(name: str, cell: Cell, text: str) -> Leaf | Fault:
    if not is_utf_8(text):
        return Fault(name, "is not UTF-8: save the file as CSV in UTF-8")
    spelling, words = _SPELLINGS[cell]
    if spelling.fullmatch(text):
        return Leaf(READERS[cell](text), name)
    shown = text[:_SHOWN]
    if _DECIMAL_COMMA.fullmatch(text):
        return Fault(name, f"{shown} has a decimal comma: write {shown.replace(',', '.')}")
    return Fault(name, f"must be {words}; got {shown!r}")


def _put(tree: Branch, path: str, leaf: Leaf | Fault) -> Iterator[Fault]:
    """Set one leaf; another column's different word at the same place is a fault."""
    if isinstance(leaf, Fault):
        yield leaf
        return
    *above, last = path.split(".")
    for name in above:
        tree = _branch(tree, name)
    there = tree.setdefault(last, leaf)
    if isinstance(there, Leaf) and there.value != leaf.value:
        yield Fault(leaf.column, f"cannot stand beside {there.column}: fill one of them")


def _branch(tree: Branch, name: str) -> Branch:
    """The branch of that name, grown if it is not there."""
    found = tree.setdefault(name, {})
    if isinstance(found, Leaf):
        raise TypeError(f"{name} is a value of {found.column}, not a branch")
    return found


def _arrange(tree: Branch) -> Iterator[Fault]:
    """Give the branches without a place of their own to the spindle and the drivetrain that use them."""
    lines, rings = _branch(tree, "line"), _branch(tree, "rings")
    unused = set(lines)
    if not _branch(tree, "evidence"):
        yield Fault("", "says nothing of the shell: fill shell_width, drive_gauge_tpi or another of its columns")
    if "aim" in tree or "spindle" in tree:
        yield from _aim(tree, lines, unused)
    if "drivetrain" in tree:
        wheel = _branch(_branch(lines, "rear"), "measurement")
        _branch(tree, "drivetrain").update(rear=wheel, rings={**rings})
        unused.discard("rear")
        rings.clear()
    yield from (Fault(AIMS[name], "is used by nothing in this row: see aim") for name in sorted(unused))
    left = [leaf.column for name, leaf in rings.items() for leaf in _leaves(leaf) if name not in {"count", "spacing"}]
    yield from (Fault(name, "is used only with chainstay") for name in dict.fromkeys(left))
    for name in ("aim", "line", "rings"):
        tree.pop(name, None)


def _aim(tree: Branch, lines: Branch, unused: set[str]) -> Iterator[Fault]:
    aim = tree.get("aim")
    if not isinstance(aim, Leaf) or aim.value not in AIMS:
        yield Fault("aim", f"must say which chain line the new rings shall reach: {', '.join(AIMS)}")
        return
    name = str(aim.value)
    if name not in lines:
        yield Fault("aim", f"{name} needs {AIMS[name]} beside it")
        return
    spindle = _branch(tree, "spindle")
    crank, rings = _branch(spindle, "crank"), _branch(tree, "rings")
    spindle["target"] = _branch(lines, name)
    unused.discard(name)
    known_by = crank.setdefault("known_by", Leaf("unknown", "aim"))
    if "old" in unused and isinstance(known_by, Leaf) and known_by.value == "cotter_distance":
        crank["old_chain_line"] = _branch(_branch(lines, "old"), "measurement")
        unused.discard("old")
    crank.update({to: rings[name] for name, to in (("count", "rings"), ("spacing", "ring_spacing")) if name in rings})


def _leaves(node: "Leaf | Branch") -> Iterator[Leaf]:
    if isinstance(node, Leaf):
        yield node
        return
    for below in node.values():
        yield from _leaves(below)


def _item(name: str, members: "Leaf | Branch") -> Branch:
    """An item of evidence from the branch its kind and side name."""
    kind, _, side = name.partition(" ")
    column = next(_leaves(members)).column
    named = {"kind": Leaf(kind, column)} | ({"side": Leaf(side, column)} if side else {})
    return named | (members if isinstance(members, dict) else {})


def _plain(node: object, pointer: str, columns: dict[str, str]) -> object:
    """The tree as JSON values; ``columns`` takes the column of each leaf by its JSON pointer."""
    if isinstance(node, Leaf):
        columns[pointer] = node.column
        return node.value
    if isinstance(node, list):
        return [_plain(item, f"{pointer}/{index}", columns) for index, item in enumerate(node)]
    if isinstance(node, dict):
        return {name: _plain(item, f"{pointer}/{name}", columns) for name, item in node.items()}
    raise TypeError(f"{pointer} holds neither a leaf nor a branch")
