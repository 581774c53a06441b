"""``cotterline problems``: every problem type, as the page of the documentation about them."""

from collections.abc import Iterable, Iterator

import click

from cotterline.api.problem_types import TYPES, ProblemType, written

_HEAD = """# Problem types

A refusal or failure is a problem document (RFC 9457) with the media type `application/problem+json`. The last part of
its `type` is one of the codes below; the address resolves on the service to a page that says the same. `title` and
`status` are the same for every problem of one type, `detail` and `errors` tell what it was this time, and `instance`
names the request in the service's log.

Written by `cotterline problems > service/docs/problems.md`.

"""


@click.command()
def problems() -> None:
    """Write what every problem type means, as Markdown, to standard output."""
    click.echo(_HEAD + "\n".join([*_index(TYPES.values()), *map(_section, TYPES.values())]))


def _index(kinds: Iterable[ProblemType]) -> Iterator[str]:
    yield "| status | code | title |"
    yield "| --- | --- | --- |"
    for kind in kinds:
        yield f"| {kind.status} | [{kind.code}](#{kind.code}) | {kind.title} |"


def _section(kind: ProblemType) -> str:
    return f"""
## {kind.code}

**{kind.title}**, status {kind.status}.

What happened: {kind.happened}

What to do: {kind.advice}

```json
{written(kind.example)}
```"""
