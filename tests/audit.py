"""Look for known weaknesses in every package of every lock: ``python -m tests.audit``.

The status is 0 where the sources of advisories were asked and know of none, 1 where something is wrong, and 2 where a
source could not be asked: then nothing was audited, and that is said. What an advisory says is weighed by a person; one
that does not concern this service goes into ``ACCEPTED`` with the reason.
"""

import json
import re
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

ROOT: Final = Path(__file__).parents[1]
PYTHON_LOCKS: Final = (ROOT / "requirements.lock", ROOT / "requirements-tests.lock")
NODE_LOCK: Final = ROOT / "tests" / "contract" / "package-lock.json"

ACCEPTED: Final[Mapping[str, str]] = {}
"""Advisories that do not concern this service, by their ids, and why."""

UNMAINTAINED: Final[Mapping[str, str]] = {}
"""Packages whose authors say that they go on with them no more, and why they are here all the same."""

SECONDS: Final = 90
CLEAN, FOUND, NOT_ASKED = 0, 1, 2


class Audit(NamedTuple):
    """What came of asking about one lock.

    Attributes:
        lock: which.
        asked: how many packages the source was asked about; 0 where it could not be asked.
        wrong: what is known to be wrong with them.
        why_not: why the source could not be asked.
    """

    lock: str
    asked: int
    wrong: Sequence[str]
    why_not: str = ""

    @property
    def words(self) -> Iterator[str]:
        """It for a person."""
        yield from (f"{self.lock}: {fault}" for fault in self.wrong)
        if self.why_not:
            yield f"{self.lock}: NOT AUDITED, the source of advisories cannot be asked ({self.why_not})"
        elif not self.wrong:
            yield f"{self.lock}: {self.asked} packages, no known weakness"


def of_python(lock: Path) -> Audit:
    """Ask pip-audit about a lock, which names every package, so that nothing is resolved or installed."""
    asked = [sys.executable, "-m", "pip_audit", "--requirement", str(lock), "--disable-pip", "--require-hashes"]
    done = _run([*asked, "--format", "json", "--progress-spinner", "off"], ROOT)
    return read_python(lock.name, done.stdout, done.stderr)


def _of_each(locks: Sequence[Path]) -> Iterator[Audit]:
    """Ask about each; a source that did not answer is not asked again."""
    why_not = ""
    for lock in locks:
        audit = Audit(lock.name, 0, (), why_not) if why_not else of_python(lock)
        why_not = audit.why_not
        yield audit


def read_python(lock: str, told: str, error: str) -> Audit:
    """What pip-audit says."""
    try:
        packages: list[dict[str, Any]] = json.loads(told)["dependencies"]
    except (ValueError, KeyError):
        return Audit(lock, 0, (), _last_line(error))
    passed_over = [f"{each['name']} {each['skip_reason']}" for each in packages if "skip_reason" in each]
    if packages and len(passed_over) == len(packages):
        # pip-audit itself would call this "No known vulnerabilities found".
        return Audit(lock, 0, (), "it knows none of the packages, as a mirror without advisories does")
    wrong = [
        f"{each['name']} {each['version']} has {known['id']}, mended in {', '.join(known['fix_versions']) or 'none'}"
        for each in packages
        for known in each.get("vulns", ())
        if not {known["id"], *known.get("aliases", ())} & ACCEPTED.keys()
    ]
    return Audit(lock, len(packages), [*wrong, *passed_over])


def of_node(lock: Path) -> Audit:
    """Ask npm about its lock."""
    npm = Path(sys.executable).with_name("npm")
    done = _run([str(npm), "audit", "--json", "--audit=true"], lock.parent)
    return read_node(lock.name, done.stdout, done.stderr)


def read_node(lock: str, told: str, error: str) -> Audit:
    """What npm says."""
    try:
        answer = json.loads(told)
    except ValueError:
        return Audit(lock, 0, (), _last_line(error))
    if "metadata" not in answer:
        return Audit(lock, 0, (), _last_line(str(answer.get("message", error))))
    asked = answer["metadata"]["dependencies"]["total"]
    wrong = [
        f"{name} {each['range']} has {known['url'].rpartition('/')[2]}, {known['title']}"
        for name, each in answer["vulnerabilities"].items()
        for known in each["via"]
        if isinstance(known, dict) and known["url"].rpartition("/")[2] not in ACCEPTED
    ]
    return Audit(lock, asked, wrong)


def packages(lock: Path) -> Iterator[str]:
    """The names of the packages of a Python lock, as indexes spell them."""
    yield from re.findall(r"^([a-z0-9._-]+)==", lock.read_text(), re.MULTILINE)


def loose(lock: Path) -> Iterator[str]:
    """Packages of a lock that are not held to their bytes, and those whose authors went on to something else."""
    if lock.suffix == ".json":
        for name, each in json.loads(lock.read_text())["packages"].items():
            if name and not re.match(r"sha512-", each.get("integrity", "")):
                yield f"{name} has no hash"
            if "deprecated" in each and name.rpartition("node_modules/")[2] not in UNMAINTAINED:
                yield f"{name}: {each['deprecated']}"
        return
    for entry in re.split(r"\n(?=\S)", lock.read_text().strip()):
        if not re.match(r"[\w.\[\]-]+==\S+", entry) or "--hash=sha256:" not in entry:
            yield f"{entry.splitlines()[0]} is not one version with its hashes"


def main() -> int:
    """Ask about every lock, and tell."""
    audits = [*_of_each(PYTHON_LOCKS), of_node(NODE_LOCK)]
    faults = [f"{lock.name}: {fault}" for lock in (*PYTHON_LOCKS, NODE_LOCK) for fault in loose(lock)]
    for line in (*(line for audit in audits for line in audit.words), *faults):
        print(line)  # noqa: T201 - a program that tells
    if faults or any(audit.wrong for audit in audits):
        return FOUND
    return NOT_ASKED if any(audit.why_not for audit in audits) else CLEAN


def _run(command: Sequence[str], folder: Path) -> subprocess.CompletedProcess[str]:
    try:
        return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=SECONDS, check=False)  # noqa: S603 - our own words
    except subprocess.TimeoutExpired:
        return subprocess.CompletedProcess(command, NOT_ASKED, "", f"no answer within {SECONDS} s")
    except OSError as error:
        return subprocess.CompletedProcess(command, NOT_ASKED, "", str(error))


def _last_line(text: str) -> str:
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return re.sub(r"https?://\S+", "the source", lines[-1])[:200] if lines else "it says nothing"


if __name__ == "__main__":
    sys.exit(main())
