"""The call for one bicycle in another framework with the same core: a yardstick for the choice, and nothing else.

Once as its users would write it, with models of its own for question and answer; once with the core's own types.
"""

from functools import cache
from types import GenericAlias
from typing import Annotated, Any, Final, Literal, Union

import msgspec
from fastapi import FastAPI, Request, Response
from msgspec import inspect
from pydantic import BaseModel, ConfigDict, Field, create_model

from cotterline.api.body import decode
from cotterline.bench.derivation import Trace
from cotterline.bench.quotes import QuoteRequest, QuoteResult, quote
from tests.benchmarks.requests import SINGLE, WORKSHOP

WITH_MODELS: Final = SINGLE
WITH_THE_CORES_TYPES: Final = f"{SINGLE}/core-types"


def application() -> FastAPI:
    """The application."""
    app = FastAPI(openapi_url=None)
    question, answer = model(QuoteRequest), model(QuoteResult)

    async def with_models(data: BaseModel) -> Any:  # noqa: ANN401 - the framework makes an answer of it
        asked = msgspec.convert(data.model_dump(exclude_unset=True), QuoteRequest)
        return msgspec.to_builtins(quote(asked, WORKSHOP, Trace(wanted=False)))

    async def with_the_cores_types(request: Request) -> Response:
        asked = decode(await request.body(), QuoteRequest)
        content = msgspec.json.encode(quote(asked, WORKSHOP, Trace(wanted=False)))
        return Response(content, media_type="application/json")

    with_models.__annotations__["data"] = question
    app.post(WITH_MODELS, response_model=answer, response_model_exclude_unset=True)(with_models)
    app.post(WITH_THE_CORES_TYPES)(with_the_cores_types)
    return app


def model(struct: type[msgspec.Struct]) -> type[BaseModel]:
    """The framework's own model of a type of the core, with all the types in it."""
    told = inspect.type_info(struct)
    assert isinstance(told, inspect.StructType)
    return _model(told.cls)


@cache
def _model(struct: type[msgspec.Struct]) -> type[BaseModel]:
    told = inspect.type_info(struct)
    assert isinstance(told, inspect.StructType)
    fields: dict[str, Any] = {
        field.encode_name: (_type(field.type), ... if field.required else None) for field in told.fields
    }
    if told.tag_field is not None:
        fields[told.tag_field] = (Literal[told.tag], ...)
    return create_model(struct.__name__, __config__=ConfigDict(extra="forbid", strict=False), **fields)


def _type(told: inspect.Type) -> Any:  # noqa: ANN401, C901, PLR0911, PLR0912 - a type; one line a kind
    match told:
        case inspect.Metadata(type=inner):
            return _type(inner)
        case inspect.StructType(cls=struct):
            return _model(struct)
        case inspect.UnionType(types=types):
            return _union(types)
        case inspect.ListType(item_type=item) | inspect.VarTupleType(item_type=item):
            return Annotated[
                GenericAlias(list, _type(item)), Field(min_length=told.min_length, max_length=told.max_length)
            ]
        case inspect.TupleType(item_types=items):
            return GenericAlias(tuple, tuple(_type(item) for item in items))
        case inspect.DictType(key_type=key, value_type=value):
            return GenericAlias(dict, (_type(key), _type(value)))
        case inspect.LiteralType(values=values):
            return Literal[values]
        case inspect.EnumType(cls=kind):
            return kind
        case inspect.FloatType() | inspect.IntType():
            whole = int if isinstance(told, inspect.IntType) else float
            return Annotated[whole, Field(ge=told.ge, le=told.le, gt=told.gt, lt=told.lt)]
        case inspect.StrType():
            return Annotated[str, Field(min_length=told.min_length, max_length=told.max_length)]
        case inspect.BoolType():
            return bool
        case inspect.NoneType():
            return None
        case _:
            return Any


def _union(types: tuple[inspect.Type, ...]) -> Any:  # noqa: ANN401 - a type
    several: Any = Union[tuple(_type(each) for each in types)]  # noqa: UP007 - of as many as there are
    tagged = {each.tag_field for each in types if isinstance(each, inspect.StructType)}
    (tag,) = tagged if len(tagged) == 1 else (None,)
    return Annotated[several, Field(discriminator=tag)] if tag and len(types) > 1 else several
