"""The pages that the type of a problem document points to: for a person as HTML, for a program as JSON."""

import html
from collections.abc import Callable, Mapping
from importlib.resources import files
from string import Template
from typing import Annotated, Any

import msgspec
from litestar import Request, Response, get
from litestar.exceptions import NotFoundException
from litestar.params import PathParameter

from cotterline.api.fixed import Fixed
from cotterline.api.operation import EXAMPLE_ID, NOT_MODIFIED, Example
from cotterline.api.problem_words import WORDS, example
from cotterline.api.problems import PROBLEMS, Call, Problem
from cotterline.documents.templates import policy


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


def _template(name: str) -> Template:
    return Template(files("cotterline.api").joinpath("assets", name).read_text("utf-8"))


_STYLE = files("cotterline.api").joinpath("assets", "problems.css").read_text("utf-8")


def _page(name: str, **words: str) -> Fixed:
    text = _template(name).substitute(words, style=_STYLE)
    return Fixed(text.encode(), "text/html", {"Content-Security-Policy": policy(_STYLE), "Vary": "Accept"})


def _data(value: ProblemType | ProblemTypes) -> Fixed:
    return Fixed(msgspec.json.encode(value), "application/json", {"Vary": "Accept"})


def _page_about(kind: ProblemType) -> Fixed:
    words = {name: html.escape(str(word)) for name, word in msgspec.structs.asdict(kind).items()}
    return _page("problem.html", **words | {"example": html.escape(written(kind.example))})


def _entry(kind: ProblemType) -> str:
    title = html.escape(kind.title)
    return f'<li><a href="problems/{kind.code}">{title}</a> <code>{kind.code}</code>, status {kind.status}</li>'


_INDEX = _page("problems.html", entries="\n".join(map(_entry, TYPES.values())))
_INDEX_DATA = _data(_ALL)
_PAGES = {code: (_page_about(kind), _data(kind)) for code, kind in TYPES.items()}


def _chosen(request: Request[Any, Any, Any], page: Fixed, data: Fixed) -> Response[bytes]:
    """The form the client would rather have; a person's where it does not say (RFC 9110, section 12.5.1)."""
    best = request.accept.best_match([page.media_type, data.media_type])
    return (data if best == data.media_type else page).answer(request)


def _documented(shown: Callable[[], Any], kind: type) -> dict[str, Any]:
    return {
        "scope": None,
        "answer": kind,
        "content": {"text/html": {"schema": {"type": "string"}}},
        "examples": {"as-data": Example("As data", shown)},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    }


@get(
    "/problems",
    operation_id="listProblemTypes",
    tags=["service"],
    summary="Every problem type",
    opt=_documented(lambda: _ALL, ProblemTypes),
)
async def index(request: Request[Any, Any, Any]) -> Response[bytes]:
    """List what a problem document's ``type`` can be: a page, or the same as data where JSON is preferred."""
    return _chosen(request, _INDEX, _INDEX_DATA)


@get(
    "/problems/{code:str}",
    operation_id="explainProblem",
    tags=["service"],
    summary="What a problem type means and what to do about it",
    opt=_documented(lambda: TYPES["impossible-value"], ProblemType),
)
async def explain(
    request: Request[Any, Any, Any],
    code: Annotated[str, PathParameter(description="The last part of the type.", schema_extra={"enum": [*PROBLEMS]})],
) -> Response[bytes]:
    """Give the page that a problem document's ``type`` points to, or the same as data where JSON is preferred."""
    if code not in _PAGES:
        raise NotFoundException
    return _chosen(request, *_PAGES[code])
