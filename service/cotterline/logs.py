"""Logging: one JSON object a line on standard output, the server's own messages among them."""

import logging
import sys

import structlog
from structlog.types import Processor

from cotterline.settings import LogLevel

_SHARED: tuple[Processor, ...] = (
    structlog.stdlib.add_logger_name,
    structlog.processors.add_log_level,
    structlog.processors.TimeStamper(fmt="iso", utc=True),
)


def write_json(level: LogLevel) -> None:
    """Send everything that is logged from here on to standard output, from ``level`` up.

    Libraries never get to say what they would for debugging: a database's driver quotes the rows it writes.
    """
    handler = logging.StreamHandler(sys.stdout)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=_SHARED,
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.format_exc_info,
                structlog.processors.JSONRenderer(),
            ],
        )
    )
    own = logging.getLevelNamesMapping()[level.upper()]
    logging.basicConfig(level=max(own, logging.INFO), handlers=[handler], force=True)
    logging.getLogger("cotterline").setLevel(own)
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *_SHARED,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
    )
