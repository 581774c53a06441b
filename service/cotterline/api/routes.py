"""Every handler of the service."""

from litestar.types import ControllerRouterHandler

from cotterline.api import docs, health, openapi, problems, thread_verdicts

ROUTES: tuple[ControllerRouterHandler, ...] = (
    thread_verdicts.create,
    health.live,
    health.ready,
    openapi.document,
    docs.page,
    docs.asset,
    problems.explain,
)
