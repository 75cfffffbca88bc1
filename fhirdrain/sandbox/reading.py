"""Reads of a resource as it is and as it was, and the conditions that spare sending it again."""

from __future__ import annotations

import re
from contextlib import suppress
from datetime import datetime
from email.utils import parsedate_to_datetime

from fhirdrain.sandbox.call import Answer, Call
from fhirdrain.sandbox.refusal import Refusal
from fhirdrain.sandbox.stored import Stored


def read(call: Call, kind: str, id_: str) -> Answer:
    """Return a resource: 404 where there never was one, 410 where it was deleted."""
    return _shown(call, kind, call.storage.latest(kind, id_))


def vread(call: Call, kind: str, id_: str, version: str) -> Answer:
    """Return one version of a resource: 410 where the version is its deletion."""
    known = re.fullmatch(r"[1-9][0-9]{0,8}", version)
    return _shown(call, kind, call.storage.version(kind, id_, int(version)) if known else None)


def _shown(call: Call, kind: str, stored: Stored | None) -> Answer:
    if stored is None:
        raise Refusal(404, "not-found", f"there is no such {kind}")
    if stored.deleted:
        raise Refusal(410, "deleted", f"this {kind} was deleted", headers={"ETag": stored.etag})
    return Answer(304 if _unchanged(call, stored) else 200, stored.body, stored)


def _unchanged(call: Call, stored: Stored) -> bool:
    """Tell whether the caller has this version already (R4 http.html#cread)."""
    tags = call.headers.get("if-none-match")
    if tags is not None:
        return stored.is_named_by(tags, weakly=True)
    since = _time(call.headers.get("if-modified-since", ""))
    # HTTP dates have whole seconds.
    return since is not None and stored.moment // 1_000_000 <= since.timestamp()


def _time(text: str) -> datetime | None:
    """Return the time of an HTTP date, or of the instant an entry has in its place."""
    for form in (parsedate_to_datetime, datetime.fromisoformat):
        with suppress(ValueError, OverflowError):
            time = form(text)
            return time if time.utcoffset() is not None else None
    return None  # RFC 9110: a date that is none is passed over
