"""The pages that the type of a problem document points to: for a person as HTML, for a program as JSON."""

import html
from collections.abc import Mapping
from typing import Annotated, Any

import msgspec
from litestar import Request, Response, get
from litestar.exceptions import NotFoundException
from litestar.params import PathParameter

from cotterline.api.fixed import Fixed
from cotterline.api.operation import EXAMPLE_ID
from cotterline.api.page_or_data import chosen, data, documented, page
from cotterline.api.problem_words import WORDS, example
from cotterline.api.problems import PROBLEMS, Call, Problem


class ProblemType(msgspec.Struct, frozen=True, kw_only=True):
    """One kind of problem.

    Attributes:
        code: the last part of the type of its documents.
        title: the kind of problem in words, as in its documents.
        status: the HTTP status it comes with.
        happened: what it means.
        advice: what to do about it.
        example: a document of this kind.
    """

    code: str
    title: str
    status: int
    happened: str
    advice: str
    example: Problem


class ProblemTypes(msgspec.Struct, frozen=True, kw_only=True):
    """Every kind of problem.

    Attributes:
        types: in the order of their statuses.
    """

    types: tuple[ProblemType, ...]


def problem_type(code: str) -> ProblemType:
    """All there is to say about one kind of problem."""
    kind = PROBLEMS[code]
    return ProblemType(
        code=code,
        title=kind.title,
        status=kind.status,
        happened=WORDS[code].happened,
        advice=kind.advice,
        example=example(code, Call(EXAMPLE_ID, "")),
    )


def written(problem: Problem) -> str:
    """A problem document as it is shown to a person."""
    return msgspec.json.format(msgspec.json.encode(problem), indent=2).decode()


TYPES: Mapping[str, ProblemType] = {code: problem_type(code) for code in PROBLEMS}


_ALL = ProblemTypes(types=tuple(TYPES.values()))


def _page_about(kind: ProblemType) -> Fixed:
    words = {name: html.escape(str(word)) for name, word in msgspec.structs.asdict(kind).items()}
    return page("problem.html", **words | {"example": html.escape(written(kind.example))})


def _entry(kind: ProblemType) -> str:
    title = html.escape(kind.title)
    return f'<li><a href="problems/{kind.code}">{title}</a> <code>{kind.code}</code>, status {kind.status}</li>'


_INDEX = page("problems.html", entries="\n".join(map(_entry, TYPES.values())))
_INDEX_DATA = data(_ALL)
_PAGES = {code: (_page_about(kind), data(kind)) for code, kind in TYPES.items()}


@get(
    "/problems",
    operation_id="listProblemTypes",
    tags=["service"],
    summary="Every problem type",
    opt=documented(lambda: _ALL, ProblemTypes),
)
async def index(request: Request[Any, Any, Any]) -> Response[bytes]:
    """List what a problem document's ``type`` can be: a page, or the same as data where JSON is preferred."""
    return chosen(request, _INDEX, _INDEX_DATA)


@get(
    "/problems/{code:str}",
    operation_id="explainProblem",
    tags=["service"],
    summary="What a problem type means and what to do about it",
    opt=documented(lambda: TYPES["impossible-value"], ProblemType),
)
async def explain(
    request: Request[Any, Any, Any],
    code: Annotated[str, PathParameter(description="The last part of the type.", schema_extra={"enum": [*PROBLEMS]})],
) -> Response[bytes]:
    """Give the page that a problem document's ``type`` points to, or the same as data where JSON is preferred."""
    if code not in _PAGES:
        raise NotFoundException
    return chosen(request, *_PAGES[code])
