"""Logs: one line an event, with the id of the request it belongs to; JSON on servers, plain text in a trial."""

import logging.config
from typing import Any

import structlog

SHARED: list[Any] = [
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.add_log_level,
    structlog.stdlib.add_logger_name,
    structlog.processors.TimeStamper(fmt="iso", utc=True),
]


def configure_logs(*, level: str, as_json: bool) -> None:
    """Send the logs of the project and of its libraries to standard error in one form."""
    structlog.configure(
        processors=[*SHARED, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )
    logging.config.dictConfig(
        {
            "version": 1,
            "disable_existing_loggers": False,
            "formatters": {"line": _formatter(as_json=as_json)},
            "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
            "root": {"handlers": ["stderr"], "level": "WARNING"},
            "loggers": {"lims": {"level": level}, "celery": {"level": level}, "gunicorn": {"level": level}},
        }
    )


def _formatter(*, as_json: bool) -> dict[str, Any]:
    if as_json:
        last = [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
    else:
        last = [structlog.dev.ConsoleRenderer(colors=False)]
    return {
        "()": structlog.stdlib.ProcessorFormatter,
        "foreign_pre_chain": SHARED,
        "processors": [structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last],
    }
