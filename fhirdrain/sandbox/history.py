"""Histories of a resource, of a type and of all: every version, the newest first."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from fhirdrain.sandbox.call import GENERAL, Answer, Call
from fhirdrain.sandbox.dates import span_of
from fhirdrain.sandbox.refusal import Refusal, UnknownParameter
from fhirdrain.sandbox.searching import whole
from fhirdrain.sandbox.stored import Stored

_PLAIN_COUNT = 50
_MOST_COUNT = 500


def history(call: Call, kind: str = "", id_: str = "") -> Answer:
    """Return a history bundle; pages go on from where the last one ended, whatever arrives."""
    since, count = 0, _PLAIN_COUNT
    turned: dict[str, int] = {}
    for name, value in call.query:
        if name == "_since":
            since = _instant(value)
        elif name == "_count":
            count = min(whole(value, name), _MOST_COUNT)
        elif name in ("_upto", "_before"):
            turned[name] = whole(value, name)
        elif name not in GENERAL and "handling=lenient" not in call.preferences:
            raise UnknownParameter("a history takes _since and _count here")
    storage = call.storage
    with storage.at_rest():
        if id_ and storage.latest(kind, id_) is None:
            raise Refusal(404, "not-found", f"there is no such {kind}")
        upto = min(turned.get("_upto", storage.newest()), storage.newest())
        before = min(turned.get("_before", upto + 1), upto + 1)
        past = storage.history(kind, id_, since=since, before=before, count=count + 1)
        more, past = len(past) > count, past[:count]
        total = storage.history_count(kind, id_, since=since, before=upto + 1)
    kept = [(n, v) for n, v in call.query if n in ("_since", "_count", *GENERAL)]
    links = [{"relation": "self", "url": call.url(call.query)}]
    if more and past:
        kept += [("_upto", str(upto)), ("_before", str(past[-1].seq))]
        links.append({"relation": "next", "url": call.url(kept)})
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "history", "total": total}
    bundle["link"] = links
    if past:
        bundle["entry"] = [_entry(call, stored) for stored in past]
    return Answer(body=bundle)


def _instant(text: str) -> int:
    try:
        return span_of(text)[0]
    except ValueError:
        raise Refusal(400, "value", "_since must be an instant") from None


def _entry(call: Call, stored: Stored) -> dict[str, Any]:
    """Return a version with the request that made it and how that was answered."""
    created = stored.method == "POST"
    status = 204 if stored.deleted else 201 if call.storage.is_new(stored) else 200
    entry: dict[str, Any] = {"fullUrl": f"{call.base}/{stored.kind}/{stored.id}"}
    if not stored.deleted:
        entry["resource"] = stored.body
    return {
        **entry,
        "request": {
            "method": stored.method,
            "url": stored.kind if created else f"{stored.kind}/{stored.id}",
        },
        "response": {
            "status": f"{status} {HTTPStatus(status).phrase}",
            "location": stored.location,
            "etag": stored.etag,
            "lastModified": stored.last_updated,
        },
    }
