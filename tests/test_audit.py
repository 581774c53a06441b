"""An audit finds what is known, is not taken for one where nobody could be asked, and every lock holds every byte."""

import json
import re
import subprocess
import sys
from importlib.metadata import distributions
from pathlib import Path

import pytest

from tests import audit
from tests.audit import (
    FOUND,
    NODE_LOCK,
    NOT_ASKED,
    PYTHON_LOCKS,
    ROOT,
    UNMAINTAINED,
    loose,
    packages,
    read_node,
    read_python,
)

NOBODY = {"HTTPS_PROXY": "http://127.0.0.1:9", "https_proxy": "http://127.0.0.1:9", "PATH": "/usr/bin:/bin"}
"""Port 9 discards (RFC 863), and nothing listens there."""


@pytest.mark.parametrize("lock", [*PYTHON_LOCKS, NODE_LOCK], ids=lambda lock: lock.name)
def test_every_package_of_every_lock_is_held_to_its_bytes(lock: Path) -> None:
    assert [*loose(lock)] == []


def test_no_author_of_a_package_has_given_it_up() -> None:
    """By the word of the package itself: the trove classifier "Development Status :: 7 - Inactive"."""
    known = {*packages(PYTHON_LOCKS[1])}
    assert len(known) > 100
    given_up = [
        each.name
        for each in distributions()
        if re.sub(r"[-_.]+", "-", each.name).lower() in known
        and any("7 - Inactive" in one for one in each.metadata.get_all("Classifier") or ())
    ]
    assert [name for name in given_up if name not in UNMAINTAINED] == []


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a.lock", "anyio==4.9.0\n"),
        ("a.lock", "anyio>=4.9.0 \\\n    --hash=sha256:00\n"),
        ("a.lock", "anyio @ https://elsewhere.example/anyio.whl \\\n    --hash=sha256:00\n"),
        ("a.json", '{"packages": {"": {}, "node_modules/a": {"version": "1.0.0"}}}'),
        ("a.json", '{"packages": {"node_modules/a": {"integrity": "sha512-00", "deprecated": "use another"}}}'),
    ],
)
def test_a_package_that_is_not_or_that_nobody_looks_after_is_told(tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / name).write_text(text)
    assert len([*loose(tmp_path / name)]) == 1


KNOWN = {"id": "PYSEC-0000-1", "aliases": ["CVE-0000-1"], "fix_versions": ["2.0"], "description": "invented"}
PYTHON = {
    "dependencies": [{"name": "a", "version": "1.0", "vulns": [KNOWN]}, {"name": "b", "version": "1", "vulns": []}]
}
"""In the form that pip-audit writes (its README, "--format json"), with an invented advisory."""

NODE = {
    "vulnerabilities": {
        "a": {"range": "<2", "via": ["b", {"url": "https://advisories.example/GHSA-x", "title": "Bad"}]}
    },
    "metadata": {"dependencies": {"total": 7}},
}
"""In the form that npm writes (npm documentation, npm-audit, "audit report version 2"), with an invented advisory."""


def test_what_is_known_is_told_unless_it_was_weighed(monkeypatch: pytest.MonkeyPatch) -> None:
    assert read_python("a.lock", json.dumps(PYTHON), "").wrong == ["a 1.0 has PYSEC-0000-1, mended in 2.0"]
    assert read_node("a.json", json.dumps(NODE), "").wrong == ["a <2 has GHSA-x, Bad"]
    monkeypatch.setattr(audit, "ACCEPTED", {"CVE-0000-1": "nothing of it is used", "GHSA-x": "neither"})
    for found, asked in ((read_python("a.lock", json.dumps(PYTHON), ""), 2), (read_node("a", json.dumps(NODE), ""), 7)):
        assert (found.wrong, found.asked) == ([], asked)


def test_a_package_the_source_knows_nothing_of_is_not_passed_over() -> None:
    unknown, known = {"name": "a", "skip_reason": "not found"}, {"name": "b", "version": "1", "vulns": []}
    assert read_python("a.lock", json.dumps({"dependencies": [unknown, known]}), "").wrong == ["a not found"]


def test_a_source_that_knows_no_package_at_all_is_none() -> None:
    unknown = [{"name": name, "skip_reason": "not found"} for name in "ab"]
    (line,) = read_python("a.lock", json.dumps({"dependencies": unknown}), "").words
    assert line.startswith("a.lock: NOT AUDITED")


@pytest.mark.parametrize("read", [read_python, read_node])
@pytest.mark.parametrize("told", ["", "no JSON", "{}", '{"error": {"code": "ENOTFOUND"}}'])
def test_no_answer_is_no_audit(told: str, read: object) -> None:
    assert callable(read)
    (line,) = read("a", told, "ERROR: no connection").words
    assert line.startswith("a: NOT AUDITED")


def test_where_nobody_can_be_asked_it_says_so_and_does_not_pass() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.audit"], cwd=ROOT, env=NOBODY, capture_output=True, text=True, check=False
    )
    assert done.returncode == NOT_ASKED != FOUND
    assert [line.partition(",")[0] for line in done.stdout.splitlines()] == [
        f"{lock.name}: NOT AUDITED" for lock in (*PYTHON_LOCKS, NODE_LOCK)
    ]
