"""What happened, as one JSON object a line: for machines that watch a feed, not for people.

Fields have fixed names and hold no patient's values: counts, statuses, states, and the correlation
id that leads from a message to the server's answer.
"""

from __future__ import annotations

import json
import logging
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from fhirdrain.errors import ConfigurationError

_LOGGER = logging.getLogger("fhirdrain")
_LOGGER.addHandler(logging.NullHandler())
_LOGGER.propagate = False

# What an event may say beside its name. A server's own words are `said`, and only where asked for.
FIELDS = (
    "correlation", "answer", "messages", "entries", "items", "status", "state", "code", "seconds",
    "server", "peer", "attempt", "wait", "outcome", "error", "said",
)  # fmt: skip


def event(name: str, *, level: int = logging.INFO, **fields: Any) -> None:
    """Note an event; raises `ValueError` for a field that is not one of `FIELDS`."""
    unknown = fields.keys() - set(FIELDS)
    if unknown:
        raise ValueError(f"no field of an event: {', '.join(sorted(unknown))}")
    if _LOGGER.isEnabledFor(level):
        shown = FIELDS if _shows_values else FIELDS[:-1]
        known = {key: fields[key] for key in shown if fields.get(key) is not None}
        _LOGGER.log(level, name, extra={"fields": known})


class _Lines(logging.Formatter):
    """Writes an event as a line of JSON."""

    def format(self, record: logging.LogRecord) -> str:
        when = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        fields = getattr(record, "fields", {})
        said = {"time": when, "level": record.levelname.lower(), "event": record.getMessage()}
        return json.dumps({**said, **fields}, ensure_ascii=False)


_shows_values = False


def write_to(target: str, *, show_values: bool = False) -> logging.Handler:
    """Write events to a file, which is added to and only its owner can read, or to stderr (`-`).

    `show_values` lets events say what may hold patients' values.
    """
    global _shows_values
    _shows_values = show_values
    handler: logging.Handler
    if target == "-":
        handler = logging.StreamHandler(sys.stderr)
    else:
        path = Path(target)
        try:
            path.touch(mode=0o600)
            handler = logging.FileHandler(path, encoding="utf-8")
        except OSError as error:
            raise ConfigurationError(
                f"the log cannot be written: {error.strerror}", place=target
            ) from None
    handler.setFormatter(_Lines())
    _LOGGER.addHandler(handler)
    _LOGGER.setLevel(logging.INFO)
    return handler


def stop(handler: logging.Handler) -> None:
    """Write no more events to what `write_to` gave."""
    _LOGGER.removeHandler(handler)
    handler.close()
