"""A partner's programs, right and wrong: a receiver of events and a supplier, each with one fault at a time."""

import asyncio
import base64
import hashlib
import hmac
import json
import time
from typing import Any, Final

from aiohttp import ClientSession, web

SECRET: Final = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # noqa: S105 - the example of Standard Webhooks 1.0
REPLY_SECRET: Final = "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD"  # noqa: S105 - guards nothing but tests
TOLERANCE: Final = 300


class Program:
    """Takes genuine messages once, and has at most one fault, by name."""

    def __init__(self, fault: str = "") -> None:
        self.fault = fault
        self.begun: set[str] = set()
        self.taken: dict[str, bytes] = {}
        self.at_work = 0
        self.last = ""

    def application(self) -> web.Application:
        """Return what is to be served."""
        app = web.Application(client_max_size=64 * 1024 if self.fault == "small bodies only" else 1024 * 1024)
        app.router.add_post("/", self._serve)
        return app

    async def _serve(self, request: web.Request) -> web.StreamResponse:
        self.at_work += 1
        try:
            return await self._answer(request)
        finally:
            self.at_work -= 1

    async def _answer(self, request: web.Request) -> web.StreamResponse:
        name = request.headers.get("webhook-id", "")
        if self.fault == "one at a time":
            if self.at_work > 1:
                return web.Response(status=503)
            await asyncio.sleep(0.05)  # it works before it answers
        if self.fault == "sends elsewhere":
            raise web.HTTPPermanentRedirect("/elsewhere")
        if self.fault == "knows no chunks" and request.content_length is None:
            return web.Response(status=411)
        if self.fault == "remembers too early" and name in self.begun and name not in self.taken:
            return web.Response(status=409)
        self.begun.add(name)
        body = await (request.content.readany() if self.fault == "reads once" else request.read())
        if not self._is_genuine(request, body):
            return web.Response(status={"refuses with 500": 500, "refuses with 410": 410}.get(self.fault, 401))
        if name in self.taken and self.fault != "takes repeats anew":
            return web.Response(status=409) if self.fault == "refuses repeats" else self._known(name, body)
        self.taken[name] = body
        return self._take(json.loads(body) if body.startswith(b"{") else {})

    def _is_genuine(self, request: web.Request, body: bytes) -> bool:
        """Verify as Standard Webhooks 1.0 says."""
        name, second, shown = (request.headers.get(f"webhook-{each}", "") for each in ("id", "timestamp", "signature"))
        if self.fault == "believes everybody" or (self.fault == "believes the unsigned" and not shown):
            return True
        if self.fault == "encodes again":
            body = json.dumps(json.loads(body), separators=(",", ":"), ensure_ascii=False).encode()
        age = time.time() - int(second or 0)
        if age > TOLERANCE and self.fault != "heeds no time":
            return False
        if age < -TOLERANCE and self.fault not in {"heeds no time", "heeds only the old"}:
            return False
        key = base64.b64decode(SECRET.removeprefix("whsec_"))
        fitting = base64.b64encode(hmac.digest(key, f"{name}.{second}.".encode() + body, hashlib.sha256)).decode()
        given = [each.partition(",")[::2] for each in shown.split(" ")]
        if self.fault == "reads the first alone":
            given = given[:1]
        if self.fault == "knows one version" and any(version != "v1" for version, _ in given):
            return False
        if self.fault == "compares what is given":
            return any(fitting.startswith(text) for version, text in given if version == "v1")
        return any(hmac.compare_digest(fitting, text) for version, text in given if version == "v1")

    def _known(self, name: str, body: bytes) -> web.Response:
        del name, body
        return web.Response(status=200)

    def _take(self, told: dict[str, Any]) -> web.Response:
        raise NotImplementedError


KNOWN_FIELDS: Final = {"type", "id", "timestamp", "position", "sequence", "data", "note"}


class Receiver(Program):
    """A receiver of events."""

    def _take(self, told: dict[str, Any]) -> web.Response:
        if self.fault == "knows some types" and told["type"] == "quote_run.finished":
            return web.Response(status=500)
        if self.fault == "knows no new type" and not told["type"].startswith(("quote", "order", "fit", "re", "s", "t")):
            return web.Response(status=422)
        if self.fault == "knows no new field" and {*told} - KNOWN_FIELDS:
            return web.Response(status=422)
        if self.fault == "goes by arrival" and (self.last, told["type"]) == ("quote.approved", "quote.issued"):
            self.last = ""
            return web.Response(status=409)
        self.last = told["type"]
        return web.Response(status=204)


class Supplier(Program):
    """A supplier that replies in the answer, and once more where it is asked to."""

    def __init__(self, fault: str = "") -> None:
        super().__init__(fault)
        self.replies = 0
        self.first: dict[str, object] = {}
        self.calling: set[asyncio.Task[None]] = set()

    def _known(self, name: str, body: bytes) -> web.Response:
        if self.fault == "takes another body" and body != self.taken[name]:
            return self._reply()
        return web.json_response(self.first[name]) if name in self.first else web.Response(status=200)

    def _take(self, told: dict[str, Any]) -> web.Response:
        if told.get("document") == "order_change":
            return web.Response(status=422 if self.fault == "knows no change" else 204)
        if self.fault == "stumbles" and any("NO-SUCH" in line["code"] for line in told.get("lines", ())):
            return web.Response(status=500)
        if "reply_to" in told and self.fault != "calls nobody back":
            self.calling.add(asyncio.create_task(self._call_back(str(told["reply_to"]))))
        answer = self._reply()
        self.first[[*self.taken][-1]] = json.loads(answer.text or "{}")
        return answer

    def _reply(self) -> web.Response:
        self.replies += 1
        told = {"at": "2024-05-03T10:00:00Z", "says": [{"says": "accepted"}], "sequence": self.replies}
        if self.fault == "writes replies of its own":
            told["when"] = told.pop("at")
        return web.json_response(told)

    async def _call_back(self, place: str) -> None:
        """Send a reply until it is taken, three times at most."""
        async with ClientSession() as session:
            for number in range(1, 4):
                body, headers = self._called_back_with(number)
                async with session.post(place, data=body, headers=headers) as answer:
                    if answer.status == 202 or self.fault == "gives replies up":
                        return

    def _called_back_with(self, number: int) -> tuple[bytes, dict[str, str]]:
        told = {"at": "2024-05-04T10:00:00Z", "says": [{"says": "dispatched"}], "note": "on its way"}
        if self.fault == "calls back in words of its own":
            told["says"] = "dispatched"
        if self.fault == "says something else the second time":
            told["note"] = f"told {number} times"
        body = json.dumps(told).encode()
        name = f"r{number}" if self.fault == "names each try anew" else "r1"
        second = str(int(time.time()) - (2 * TOLERANCE if self.fault == "signs once for all" else 0))
        secret = SECRET if self.fault == "signs replies with the other secret" else REPLY_SECRET
        key = base64.b64decode(secret.removeprefix("whsec_"))
        fitting = base64.b64encode(hmac.digest(key, f"{name}.{second}.".encode() + body, hashlib.sha256)).decode()
        kind = "text/plain" if self.fault == "calls it text" else "application/json"
        signed = {"webhook-id": name, "webhook-timestamp": second, "webhook-signature": f"v1,{fitting}"}
        return body, {"Content-Type": kind} | ({} if self.fault == "signs no reply" else signed)
