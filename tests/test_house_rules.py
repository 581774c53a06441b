"""Rules of the house that no linter knows, held against the syntax tree of every source file."""

import ast
import re
import sys
from collections.abc import Callable, Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[1] / "service"

LAYERS = {
    "bench": {"bench"},
    "store": {"bench", "store"},
    "delivery": {"bench", "documents", "store", "delivery"},
    "documents": {"bench", "documents"},
    "practice_supplier": {"bench", "delivery", "practice_supplier"},
    "api": {"bench", "store", "delivery", "documents", "practice_supplier", "api"},
    "partner_kit": {"bench", "store", "delivery", "documents", "api", "partner_kit"},
    "runs": {"bench", "store", "delivery", "api", "runs"},
    "workers": {"store", "delivery", "api", "runs", "settings", "workers"},
    "settings": {"bench", "store", "settings"},
    "logs": {"settings", "logs"},
}
"""What each layer may import of the package."""

WIRING = {"main", "cli", "pytest_plugin"}
"""They may import everything, and only a program (``__main__``) may import them."""

PURE = {"msgspec", "numpy", "stdnum", "cotterline"} | sys.stdlib_module_names - {
    "asyncio", "concurrent", "ctypes", "fileinput", "getpass", "glob", "http", "importlib", "io", "locale", "logging",
    "mmap", "multiprocessing", "os", "pathlib", "pickle", "platform", "random", "secrets", "select", "selectors",
    "shelve", "shutil", "signal", "socket", "socketserver", "sqlite3", "ssl", "subprocess", "sys", "tempfile",
    "threading", "time", "urllib", "uuid", "warnings",
}  # fmt: skip
"""What the core may import: nothing that reaches a file, the network, a clock, chance, the environment or a log."""

PURE_NAMES = {"uuid", "uuid.UUID", "uuid.uuid5", "urllib.parse", "urllib.parse.urlsplit"}
"""Single names of modules that also reach further: an id that follows from its name, and the parts of an address."""

PACKAGED_DATA = {"importlib.resources", "importlib.resources.files"}
"""What ``bench/data`` may import besides, to read the files beside it."""

IMPURE_CALLS = {
    "open", "input", "print", "exec", "eval", "breakpoint", "__import__", "now", "utcnow", "today", "uuid1", "uuid4",
    "uuid6", "uuid7", "getnode",
}  # fmt: skip
VAGUE = {"utils", "util", "helpers", "helper", "common", "misc", "shared", "tools", "stuff"}
ENDS_A_TRANSACTION = {"commit", "rollback", "begin", "begin_nested", "connect", "create_engine", "create_async_engine"}
KEEPS_TRANSACTIONS = {f"cotterline.store.{name}" for name in ("backups", "database", "engines", "migrate")}

Function = ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda


class Module:
    """One source file: its dotted name and its syntax tree."""

    def __init__(self, name: str, source: str) -> None:
        self.name = name
        self.tree = ast.parse(source)
        self.layer = name.split(".")[1] if "." in name else ""

    def functions(self) -> Iterator[Function]:
        """Yield every function and method, however deep."""
        yield from (node for node in ast.walk(self.tree) if isinstance(node, Function))


def imports(tree: ast.AST) -> Iterator[str]:
    """Yield the dotted name of everything imported; for ``from a import b`` both ``a`` and ``a.b``."""
    for found in ast.walk(tree):
        if isinstance(found, ast.Import):
            yield from (alias.name for alias in found.names)
        elif isinstance(found, ast.ImportFrom):
            origin = "." * found.level + (found.module or "")
            yield from (origin, *(f"{origin}.{alias.name}" for alias in found.names))


def calls(tree: ast.AST) -> Iterator[str]:
    """Yield the last name of everything called: ``now`` for ``datetime.now()``."""
    for found in ast.walk(tree):
        if isinstance(found, ast.Call) and isinstance(found.func, ast.Name | ast.Attribute):
            yield found.func.id if isinstance(found.func, ast.Name) else found.func.attr


def transactions(tree: ast.AST) -> Iterator[str]:
    """Yield each ``async with database.read()`` or ``.write()``."""
    for found in ast.walk(tree):
        if isinstance(found, ast.AsyncWith):
            yield from (name for item in found.items for name in calls(item) if name in {"read", "write"})


def reach_of_the_core(module: Module) -> list[str]:
    if module.layer != "bench":
        return []
    allowed = PURE_NAMES | (PACKAGED_DATA if module.name == "cotterline.bench.data" else set())
    reached = {name for name in imports(module.tree) if name.split(".")[0] not in PURE} - allowed
    return sorted(reached | (IMPURE_CALLS & set(calls(module.tree))))


def imports_inside_functions(module: Module) -> list[str]:
    return [name for function in module.functions() for name in imports(function)]


def relative_imports(module: Module) -> list[str]:
    return [name for name in imports(module.tree) if name.startswith(".")]


def vague_names(module: Module) -> list[str]:
    return [part for part in module.name.split(".") if part.strip("_") in VAGUE]


def imports_of_a_layer_above(module: Module) -> list[str]:
    program = module.name.endswith(".__main__")
    allowed = LAYERS.get(module.layer, {module.layer}) | (WIRING if program else set())
    inside = [name for name in imports(module.tree) if name.startswith("cotterline.")]
    outside = not module.name.startswith("cotterline")  # what builds the documentation
    return [] if outside or module.layer in WIRING else [name for name in inside if name.split(".")[1] not in allowed]


def ends_of_transactions(module: Module) -> list[str]:
    if module.name in KEEPS_TRANSACTIONS:
        return []
    return sorted(ENDS_A_TRANSACTION & set(calls(module.tree)))


def transactions_out_of_place(module: Module) -> list[str]:
    """Queries never begin a transaction, and one function, so one request, never begins two."""
    if module.name in KEEPS_TRANSACTIONS:
        return []
    most = 0 if module.layer in {"bench", "store", "documents"} else 1
    return [name for function in module.functions() for name in list(transactions(function))[most:]]


RULES: list[tuple[Callable[[Module], list[str]], str, str]] = [
    (reach_of_the_core, "cotterline.bench.x", "import os.path"),
    (reach_of_the_core, "cotterline.bench.x", "from datetime import datetime\ndef f(): return datetime.now()"),
    (reach_of_the_core, "cotterline.bench.x", "from importlib.resources import files"),
    (reach_of_the_core, "cotterline.bench.data", "from importlib import import_module"),
    (reach_of_the_core, "cotterline.bench.x", "facts = open('facts.toml')"),
    (reach_of_the_core, "cotterline.bench.x", "import sqlalchemy as sa"),
    (reach_of_the_core, "cotterline.bench.x", "from uuid import uuid4 as new"),
    (reach_of_the_core, "cotterline.bench.x", "import uuid\ndef f(): return uuid.uuid4()"),
    (reach_of_the_core, "cotterline.bench.x", "from urllib.request import urlopen"),
    (imports_inside_functions, "cotterline.api.x", "class A:\n def f(self):\n  if self:\n   import json"),
    (relative_imports, "cotterline.api.x", "from . import y"),
    (relative_imports, "cotterline.api.x", "from ..bench.x import y"),
    (vague_names, "cotterline.api.helpers", ""),
    (vague_names, "cotterline.common.x", ""),
    (imports_of_a_layer_above, "cotterline.bench.x", "from cotterline.store.quotes import get"),
    (imports_of_a_layer_above, "cotterline.store.x", "from cotterline import api"),
    (imports_of_a_layer_above, "cotterline.store.x", "import cotterline.settings"),
    (imports_of_a_layer_above, "cotterline.api.x", "from cotterline.main import create_app"),
    (imports_of_a_layer_above, "cotterline.api.x", "from cotterline.settings import Settings"),
    (imports_of_a_layer_above, "cotterline.attic", "from cotterline.bench.x import y"),
    (ends_of_transactions, "cotterline.api.x", "async def f(tx): await tx._connection.commit()"),
    (ends_of_transactions, "cotterline.store.quotes", "engine = create_async_engine('sqlite://')"),
    (transactions_out_of_place, "cotterline.store.quotes", "async def f(db):\n async with db.write() as tx: pass"),
    (
        transactions_out_of_place,
        "cotterline.api.x",
        "async def f(db):\n async with db.read() as a: pass\n async with db.write() as b: pass",
    ),
]
"""Each rule with a file that breaks it."""


@cache
def modules() -> list[Module]:
    found = []
    for path in sorted(SOURCE.rglob("*.py")):
        parts = path.relative_to(SOURCE).with_suffix("").parts
        found.append(Module(".".join(parts[:-1] if parts[-1] == "__init__" else parts), path.read_text()))
    return found


def cycle(found: list[Module]) -> list[str]:
    names = {module.name for module in found}
    graph = {module.name: names.intersection(imports(module.tree)) - {module.name} for module in found}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


@pytest.mark.parametrize("rule", dict.fromkeys(rule for rule, _, _ in RULES), ids=lambda rule: rule.__name__)
def test_every_source_file_keeps_the_rule(rule: Callable[[Module], list[str]]) -> None:
    assert {module.name: broken for module in modules() if (broken := rule(module))} == {}


@pytest.mark.parametrize(("rule", "name", "source"), RULES)
def test_a_file_that_breaks_the_rule_is_found(rule: Callable[[Module], list[str]], name: str, source: str) -> None:
    assert rule(Module(name, source))


def test_a_file_that_keeps_every_rule_passes_them_all() -> None:
    source = (
        "from cotterline.bench.x import y\n\nasync def f(db):\n    async with db.read() as tx:\n        return y(tx)\n"
    )
    assert [rule.__name__ for rule, _, _ in RULES if rule(Module("cotterline.api.verdicts", source))] == []


def test_no_file_imports_itself_through_others() -> None:
    assert cycle(modules()) == []


def test_a_circle_of_imports_is_found() -> None:
    links = {"a": "b", "b": "c", "c": "a", "d": "a"}
    circle = [Module(f"cotterline.api.{at}", f"from cotterline.api.{to} import x") for at, to in links.items()]
    assert {name[-1] for name in cycle(circle)} == {"a", "b", "c"}


def test_every_file_of_facts_says_where_they_come_from() -> None:
    files = sorted(SOURCE.glob("cotterline/bench/data/*.toml"))
    assert files
    named = re.compile(r"\bsources?\b|\bas published by\b|\bcommon practice\b", re.IGNORECASE)
    assert [path.name for path in files if not named.search(path.read_text())] == []
