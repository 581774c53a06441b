"""Every handler of the service."""

from litestar.types import ControllerRouterHandler

from cotterline.api import (
    audit,
    chainline_predictions,
    docs,
    health,
    keys,
    metrics,
    openapi,
    problem_types,
    quotes,
    reference,
    shop,
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
    shop.read,
    keys.issue,
    keys.page,
    keys.read,
    keys.revoke,
    audit.page,
    reference.threads,
    health.live,
    health.ready,
    metrics.scrape,
    openapi.document,
    docs.page,
    docs.asset,
    problem_types.index,
    problem_types.explain,
)
