"""Whether requests are traced: only where the operator said so and installed what it takes, the extra ``telemetry``."""

from collections.abc import Mapping
from importlib import import_module
from typing import Protocol

import structlog

from cotterline.api.edge import Watcher

log = structlog.get_logger("cotterline.telemetry")

_SAY_WHERE = ("OTEL_TRACES_EXPORTER", "OTEL_EXPORTER_OTLP_TRACES_ENDPOINT", "OTEL_EXPORTER_OTLP_ENDPOINT")


class Tracer(Watcher, Protocol):
    """Makes a span of every request and sends it where the environment says."""

    def close(self) -> None:
        """Send what is left. It may wait for the network."""


def wanted(env: Mapping[str, str]) -> bool:
    """Whether the standard variables ask for traces (OpenTelemetry specification, environment variables).

    The specification would send them to this machine where nothing is said; here silence means no.

    >>> wanted({}), wanted({"OTEL_EXPORTER_OTLP_ENDPOINT": "http://127.0.0.1:4318"})
    (False, True)
    """
    if env.get("OTEL_SDK_DISABLED", "").strip().lower() == "true":
        return False
    said = [env.get(name, "").strip() for name in _SAY_WHERE]
    return said[0].lower() != "none" and any(said)


def tracer(env: Mapping[str, str]) -> Tracer | None:
    """Return what traces requests, if that is wanted and the extra is there; without the extra say so and go on."""
    if not wanted(env):
        return None
    try:
        spans = import_module("cotterline.api.spans")
        made: Tracer = spans.Spans(spans.provider(env))
    except (ModuleNotFoundError, LookupError) as error:
        log.warning("no traces are sent: install the extra 'telemetry'", reason=str(error))
        return None
    return made
