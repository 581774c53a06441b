"""What is wired around the handlers, and what is left out on purpose."""

import pytest
from litestar import get
from litestar.response import Stream
from litestar.routes import HTTPRoute

from cotterline.api.body import StrictRequest
from cotterline.api.caller import needed_scope
from cotterline.api.routes import ROUTES
from cotterline.main import application

APP = application(ROUTES)
WITHOUT_A_BODY = {
    "/v1/deliveries/{delivery_id:uuid}/retries",
    "/v1/keys/{key_id:uuid}/revocation",
    "/v1/subscriptions/{subscription_id:uuid}/enablements",
    "/v1/subscriptions/{subscription_id:uuid}/test-events",
    "/v1/suppliers/{supplier:str}/enablements",
}
"""The path says all there is to say."""

FORMS = {"/estimate/{token:str}"}
"""What a browser sends, which is no JSON: api/estimate_forms.py reads it as strictly."""

STREAMS = {"/v1/quotes/stream", "/v1/quote-runs/{quote_run_id:uuid}/bicycles"}
"""What is read line by line, each as strictly as a body, or kept to be read so."""

HANDLERS = [handler for route in APP.routes if isinstance(route, HTTPRoute) for handler in route.route_handlers]


def test_every_handler_reads_its_body_strictly() -> None:
    assert {handler.resolve_request_class() for handler in HANDLERS} == {StrictRequest}


def test_every_body_is_declared_on_its_handler() -> None:
    """A body taken in a dependency only would be decoded without a type."""
    taking = [handler for handler in HANDLERS if handler.http_methods & {"POST", "PUT", "PATCH"}]
    assert len(taking) > len(WITHOUT_A_BODY)
    without = {path for handler in taking if not handler.parsed_data_field for path in handler.paths}
    assert without == WITHOUT_A_BODY | FORMS | STREAMS


def test_no_middleware_or_plugin_logs_bodies_labels_raw_paths_or_compresses() -> None:
    # Litestar's own log bodies, label metrics with raw paths, ignore q=0 and send old rate-limit headers.
    assert APP.middleware == []
    assert APP.compression_config is None
    assert APP.logging_config is None
    assert {type(plugin).__module__.split(".")[0] for plugin in APP.plugins} <= {"litestar"}
    assert [plugin for plugin in APP.plugins if "problem" in type(plugin).__module__] == []


def test_no_handler_streams_through_the_response_that_swallows_the_request() -> None:
    """``Stream`` listens for a disconnect and so takes chunks of the request away from who reads it."""
    answers = [handler.parsed_return_field for handler in HANDLERS]
    assert [field for field in answers if field.is_subclass_of(Stream)] == []


def test_only_health_reference_documentation_problems_and_what_has_a_token_of_its_own_are_open() -> None:
    asked = [handler for handler in HANDLERS if handler.http_methods != {"OPTIONS"}]
    opened = {path for handler in asked if needed_scope(handler) is None for path in handler.paths}
    documents = {"/openapi.json", "/docs", "/docs/{name:str}", "/problems", "/problems/{code:str}", "/deprecations"}
    health = {"/health/live", "/health/ready", "/metrics"}  # the last asks for the operator's token instead
    lives = ("quote-life", "quote-run-life", "order-life")
    reference = {f"/v1/reference/{name}" for name in ("threads", *lives, "practice-supplier")}
    signed = {"/v1/orders/{order_id:uuid}/callbacks"}  # asks for the supplier's signature instead of a key
    linked = {"/estimate/{token:str}"}  # asks for the token of a link instead
    assert opened == documents | health | reference | signed | linked


@pytest.mark.parametrize("opt", [{}, {"scope": "everything"}, {"scope": ""}])
def test_an_application_with_a_handler_that_does_not_say_which_scope_it_needs_is_not_made(opt: dict[str, str]) -> None:
    @get("/drawer", opt=opt)
    async def read() -> None: ...

    with pytest.raises(RuntimeError, match="which scope it needs"):
        application([read])
