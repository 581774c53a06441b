"""Every handler of the service."""

from litestar.types import ControllerRouterHandler

from cotterline.api import (
    chainline_predictions,
    docs,
    health,
    metrics,
    openapi,
    problems,
    quotes,
    reference,
    spindle_options,
    thread_verdicts,
)

ROUTES: tuple[ControllerRouterHandler, ...] = (
    thread_verdicts.create,
    spindle_options.create,
    chainline_predictions.create,
    quotes.create,
    quotes.page,
    quotes.read,
    reference.threads,
    health.live,
    health.ready,
    metrics.scrape,
    openapi.document,
    docs.page,
    docs.asset,
    problems.explain,
)
