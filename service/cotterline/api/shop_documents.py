"""Documents a shop sets for itself, served one like the other: read, an old version read, replaced, patched.

A document's own file declares its handlers, each with its types and words; what they do stands here.
"""

from collections.abc import Callable, Mapping
from typing import Annotated, Any, Generic, NamedTuple, TypeVar

import msgspec
from litestar import Request, Response
from litestar.di import NamedDependency
from litestar.params import PathParameter

from cotterline.api.body import decode
from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT, etag, is_current, not_modified, overtaken, require, wanted_tags
from cotterline.api.csv_table import CONTENT_TYPE, CsvTable, csv_wanted
from cotterline.api.kept_quote import Stamp
from cotterline.api.merge_patch import merged
from cotterline.api.problems import RequestRefusedError, call_of
from cotterline.bench.errors import CotterlineError
from cotterline.store.audit import record
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.shop_documents import Content, DocumentVersion, ShopDocument

Shown = TypeVar("Shown", bound=msgspec.Struct)
AnyRequest = Request[Any, Any, Any]
Version = Annotated[int, PathParameter(ge=0, le=1_000_000_000, description="0 is what holds before anything is set.")]


class Names(NamedTuple):
    """What a document is called.

    Attributes:
        path: of its address.
        subject: in the audit trail.
        words: in a sentence.
        replace: the operation that replaces it.
        change: the operation that patches it.
    """

    path: str
    subject: str
    words: str
    replace: str
    change: str


class Desk(NamedTuple):
    """Who changes a document where and when."""

    database: Database
    caller: Caller
    stamp: Stamp


def desk(database: NamedDependency[Database], caller: NamedDependency[Caller], stamp: NamedDependency[Stamp]) -> Desk:
    """The dependency ``desk``."""
    return Desk(database, caller, stamp)


class Form(NamedTuple, Generic[Content, Shown]):
    """How a document is told and checked.

    Attributes:
        check: raises ``impossible-value`` for what a schema cannot say.
        shown: the document as it is answered.
        table: writes it as CSV, where it can be had so.
    """

    check: Callable[[Content], None]
    shown: Callable[[Content], Shown]
    table: CsvTable[Shown] | None = None


class ServedDocument(Generic[Content, Shown]):
    """One kind of document as the API serves it.

    Args:
        document: where it is kept.
        names: what it is called.
        form: how it is told and checked.
    """

    def __init__(self, document: ShopDocument[Content], names: Names, form: Form[Content, Shown]) -> None:
        self.names = names
        self._document = document
        self._form = form

    @property
    def links(self) -> Mapping[str, Any]:
        """Where the API document leads on from reading it."""
        tag = {"If-Match": "$response.header.ETag"}
        asked = {self.names.replace: "Replace this version of it.", self.names.change: "Change this version of it."}
        return {name: {"operationId": name, "parameters": tag, "description": words} for name, words in asked.items()}

    async def read(self, request: AnyRequest, caller: Caller, database: Database) -> Response[Shown] | Response[None]:
        """The version in force, unless the client has it."""
        async with database.read(caller.tenant) as tx:
            found = await self._document.current(tx)
        tag = etag(found.version, *self._chosen(request))
        return not_modified(tag) if is_current(request, tag) else self._answer(request, found)

    async def read_version(self, version: int, caller: Caller, database: Database) -> Response[Shown]:
        """One version, be it in force or not."""
        async with database.read(caller.tenant) as tx:
            found = await self._document.get(tx, version)
        if found is None:
            raise CotterlineError("not-found", f"The shop's {self.names.words} never had this version.")
        return Response(self._form.shown(found.content), headers={"ETag": etag(found.version), **KEPT})

    async def replace(self, request: AnyRequest, content: Content, desk: Desk) -> Response[Shown]:
        """Put ``content`` in the place of all that was set."""
        return await self._change(request, desk, lambda _: content)

    async def change(self, request: AnyRequest, patch: msgspec.Struct, desk: Desk) -> Response[Shown]:
        """Merge a patch into what was set."""
        return await self._change(request, desk, lambda before: self.patched(before, patch))

    def patched(self, before: Content, patch: msgspec.Struct) -> Content:
        """What a patch makes of ``before``.

        Raises:
            RequestRefusedError: ``patch-outcome``, by the places in what it would make.
        """
        try:
            outcome = merged(msgspec.to_builtins(before), msgspec.to_builtins(patch))
            found: Content = decode(msgspec.json.encode(outcome), type(before))
        except RecursionError as error:
            raise RequestRefusedError("malformed-request", "The patch is nested too deeply.") from error
        except RequestRefusedError as error:
            words = f"After the patch the {self.names.words} would not fit the schema."
            raise RequestRefusedError("patch-outcome", words, error.errors) from error
        return found

    def _chosen(self, request: AnyRequest) -> tuple[str, ...]:
        """What tells the form the client would rather have from JSON: nothing, or its name."""
        return ("csv",) if self._form.table and csv_wanted(request) else ()

    def _answer(self, request: AnyRequest, found: DocumentVersion[Content]) -> Response[Any]:
        chosen = self._chosen(request)
        headers = {"ETag": etag(found.version, *chosen), **KEPT} | ({"Vary": "Accept"} if self._form.table else {})
        content = self._form.shown(found.content)
        if self._form.table and chosen:
            return Response(self._form.table.write(content), headers=headers, media_type=CONTENT_TYPE)
        place = f"{call_of(request.scope).base_url}{self.names.path}/versions/{found.version}"
        return Response(content, headers=headers | {"Content-Location": place})

    async def _change(self, request: AnyRequest, desk: Desk, change: Callable[[Content], Content]) -> Response[Shown]:
        wanted = wanted_tags(request)
        async with desk.database.write(desk.caller.tenant) as tx:
            found = await self._document.current(tx)
            require(wanted, etag(found.version), etag(found.version, "csv"))
            content = change(found.content)
            if msgspec.json.encode(content) != msgspec.json.encode(found.content):  # the order of members counts
                self._form.check(content)
                found = DocumentVersion(version=found.version + 1, content=content)
                await self._add(tx, found, desk)
        return self._answer(request, found)

    async def _add(self, tx: WriteTransaction, changed: DocumentVersion[Content], desk: Desk) -> None:
        at, actor = desk.stamp.now, desk.caller.key_id
        if not await self._document.add(tx, changed, at=at, actor=actor):
            raise overtaken()
        await record(
            tx,
            desk.caller.tenant,
            at=at,
            actor=actor,
            action=f"{self.names.subject}.changed",
            subject_kind=self.names.subject,
            subject_id=str(desk.caller.tenant.shop),
            detail={"version": changed.version},
        )
