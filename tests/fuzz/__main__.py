"""Hand every reader of what strangers send bytes that nobody would send, led by which code they reach.

What breaks one is shown and kept in the folder named at the end; mend it, and put the bytes into tests/fuzz/kept.
"""

import os
import sys
import tempfile
from collections.abc import Sequence
from contextlib import redirect_stderr
from io import StringIO
from pathlib import Path

import atheris
import click

# What is instrumented is told line by line on the standard error.
with redirect_stderr(StringIO()), atheris.instrument_imports(include=["cotterline", "jmespath", "email"]):
    from tests.fuzz.search import Found, begin, dictionary, end
    from tests.fuzz.seeds import seeds, words
    from tests.fuzz.targets import TARGETS


@click.command(help=__doc__)
@click.argument("names", nargs=-1, type=click.Choice([*TARGETS]))
@click.option("--seconds", default=60, type=click.IntRange(min=1), help="In all, however many cores there are.")
def main(names: Sequence[str], seconds: int) -> None:
    """Search each target for its share of the time, one on each core."""
    wanted, cores = [*(names or TARGETS)], os.cpu_count() or 1
    folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
    dictionary(words(), folder / "words")
    each = max(1, seconds * min(cores, len(wanted)) // len(wanted))
    found = []
    for at in range(0, len(wanted), cores):
        hunts = [begin(name, TARGETS[name], seeds(name), folder, each) for name in wanted[at : at + cores]]
        found += [_told(end(hunt)) for hunt in hunts]
    broken = [one for one in found if one.broken_by]
    click.echo(f"{sum(one.tried for one in found)} inputs, {len(broken)} of {len(found)} targets broken; see {folder}")
    sys.exit(1 if broken else 0)


def _told(found: Found) -> Found:
    click.echo(f"{found.name:<18}{found.tried:>10} inputs{found.reached:>8} branches  {found.broken_by or 'held'}")
    if found.broken_by:
        click.echo(f"{found.words}\n{found.broken_by.read_bytes()[:300]!r}")
    return found


if __name__ == "__main__":
    main()
