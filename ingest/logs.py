"""How ingest writes its log: one line an event on stderr, as JSON or as key=value.

Every logger of the standard library, the libraries' own included, goes through the same steps:
time in UTC, no secret, one line. Fields are given as `log.info("text", extra={"name": value})`.
"""

from __future__ import annotations

import logging
import re
import sys
from collections.abc import Sequence
from typing import TextIO

import structlog
from structlog.typing import EventDict, Processor, WrappedLogger

from ingest.config import LogFormat

_IN_ADDRESS = re.compile(r"(?<=://)([^\s/:@]*):[^\s/@]*(?=@)")
_IN_WORDS = re.compile(
    r"(?i)\b(password|passwd|secret|token)(['\"]?\s*[=:]\s*)('[^']*'|\"[^\"]*\"|\S+)"
)
HIDDEN = "***"
CHATTY = ("alembic", "apscheduler")
"""Libraries whose news is of no use to an operator: only their warnings are."""


class _Stderr(logging.StreamHandler[TextIO]):
    """Writes to what is standard error at that moment."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write one line."""
        self.stream = sys.stderr
        super().emit(record)


def set_up(form: LogFormat, level: int) -> None:
    """Send every log line to stderr; a second call changes form and level.

    `auto` is JSON unless a person reads at a terminal.
    """
    as_json = form == "json" or (form == "auto" and not sys.stderr.isatty())
    root = logging.getLogger()
    for old in [one for one in root.handlers if isinstance(one, _Stderr)]:
        root.removeHandler(old)
    handler = _Stderr()
    handler.setFormatter(formatter(as_json=as_json))
    root.addHandler(handler)
    root.setLevel(level)
    for name in CHATTY:
        logging.getLogger(name).setLevel(max(level, logging.WARNING))


def formatter(*, as_json: bool) -> logging.Formatter:
    """Turn a log record into one line."""
    first: Sequence[Processor] = (
        structlog.stdlib.add_logger_name,
        structlog.stdlib.add_log_level,
        structlog.stdlib.PositionalArgumentsFormatter(),
        structlog.stdlib.ExtraAdder(),
        _no_copies,
        structlog.processors.TimeStamper(fmt="iso", utc=True, key="at"),
        structlog.processors.StackInfoRenderer(),
        structlog.processors.format_exc_info,
    )
    order = ["at", "level", "logger", "event"]
    last: Processor = (
        structlog.processors.JSONRenderer(default=str, ensure_ascii=False)
        if as_json
        else structlog.processors.LogfmtRenderer(key_order=order, bool_as_flag=False)
    )
    return structlog.stdlib.ProcessorFormatter(
        foreign_pre_chain=first,
        processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, hide_secrets, last],
    )


def _no_copies(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    """Another handler's formatter may have left its own rendering on the record."""
    for name in ("message", "asctime"):
        event.pop(name, None)
    return event


def hide_secrets(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    """Blank passwords in addresses and beside their names, in every field, tracebacks included."""
    for name, value in event.items():
        if _IN_WORDS.match(f"{name}=x"):
            event[name] = HIDDEN
        elif isinstance(value, str):
            event[name] = _IN_WORDS.sub(rf"\1\2{HIDDEN}", _IN_ADDRESS.sub(rf"\1:{HIDDEN}", value))
    return event
