"""What is wired around the handlers, and what is left out on purpose."""

from litestar.response import Stream
from litestar.routes import HTTPRoute

from cotterline.api.body import StrictRequest
from cotterline.api.routes import ROUTES
from cotterline.main import application

APP = application(ROUTES)
HANDLERS = [handler for route in APP.routes if isinstance(route, HTTPRoute) for handler in route.route_handlers]


def test_every_handler_reads_its_body_strictly() -> None:
    assert {handler.resolve_request_class() for handler in HANDLERS} == {StrictRequest}


def test_every_body_is_declared_on_its_handler() -> None:
    """A body taken in a dependency only would be decoded without a type."""
    taking = [handler for handler in HANDLERS if "POST" in handler.http_methods]
    assert len(taking) == 4
    assert all(handler.parsed_data_field for handler in taking)


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
