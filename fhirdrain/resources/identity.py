"""Who is who: identifiers that never depend on a value, a status or a place in a file.

These decide what a server holds under which name; changing them would orphan everything sent.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC
from functools import lru_cache
from json.encoder import encode_basestring_ascii
from typing import Any
from uuid import UUID

from fhirdrain.bedside.orders import ORDERED
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.windows import Window
from fhirdrain.site import Site, Source

# Namespace of our version 5 UUIDs, itself the version 5 UUID of our base URL.
NAMESPACE = UUID("0f4e94d9-2669-552f-9a30-070a28c12c3a")

_SPACE = NAMESPACE.bytes
# Version 5 in the seventh byte, the variant in the ninth.
_FIXED, _FIXED_TO = (0xF000 << 64) | (0xC000 << 48), (0x5000 << 64) | (0x8000 << 48)

# 16 hex digits: with 8, among ten thousand patients two would share one with a chance of 1 in 86,
# and the drains of two patients would be one Device.
_PATIENT_DIGITS = 16
_DIGITS = 32


def _digest(parts: list[str], digits: int) -> str:
    # JSON keeps the borders between the parts: ["a", "bc"] is not ["ab", "c"].
    text = f"[{','.join(map(encode_basestring_ascii, parts))}]"
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:digits]


def reading_identity(site: Site, reading: Reading) -> str:
    """Return a reading's identity: 32 hex digits, no patient number in sight.

    With a row id of the source: of site, source, patient, row, item and observable. Without one:
    of patient, drain, observable and time, and two readings with one identity are a tie that the
    caller refuses. Magnitude and mode of one order share an identity, that of the order; so they
    do where a wide record has them in two columns of one drain.
    """
    ordered = reading.observable in ORDERED
    observable = "order" if ordered else reading.observable
    source = site.sources.get(reading.source)
    shared = ordered and source is not None and source.layout == "wide"
    if reading.row is not None:
        parts = [
            "row",
            reading.source,
            reading.patient,
            reading.row,
            _drain_of(source, reading.item) if shared and source else reading.item or "",
            observable,
        ]
    else:
        time = reading.time.astimezone(UTC).isoformat()
        parts = ["time", reading.patient, reading.drain, observable, time]
    return _digest([site.id, *parts], _DIGITS)


def _drain_of(source: Source, code: str | None) -> str:
    """Return the drain that an item names, empty where the record does."""
    item = source.items.get(code or "")
    return item.drain or "" if item is not None else ""


def output_identity(closing_identity: str) -> str:
    """Return the identity of the output that a closing reading ends."""
    return _digest(["output", closing_identity], _DIGITS)


def rate_identity(closing_identity: str) -> str:
    """Return the identity of the rate over the interval that a closing reading ends."""
    return _digest(["rate", closing_identity], _DIGITS)


def rolling_identity(closing_identity: str) -> str:
    """Return the identity of the rate over the hour that a closing reading ends."""
    return _digest(["rolling-hour", closing_identity], _DIGITS)


def total_identity(device: str, window: Window) -> str:
    """Return the identity of a drain's total.

    The end is part of it, since a shift and a day can start together.
    """
    times = [moment.astimezone(UTC).isoformat() for moment in (window.start, window.end)]
    return _digest(["total", device, *times], _DIGITS)


def round_identity(site: Site, device: str, reading: Reading) -> str:
    """Return the identity of a drain's share in the round a reading belongs to."""
    return _digest([site.id, "round", reading.source, device, reading.round or ""], _DIGITS)


def device_identifier(site: Site, patient: str, drain: str, episode: int) -> str:
    """Return the identifier value of a drain's Device: drain id, episode and a patient hash."""
    short = _digest([site.id, site.systems.patient, patient], _PATIENT_DIGITS)
    return f"{drain}.{episode}.{short}"


def split_device_identifier(value: str) -> tuple[str, int] | None:
    """Return drain id and episode of a Device's identifier value, None if it is not one of ours."""
    parts = value.rsplit(".", 2)
    if len(parts) != 3 or not parts[1].isdigit() or len(parts[2]) != _PATIENT_DIGITS:
        return None
    return parts[0], int(parts[1])


def name_of(resource: Mapping[str, Any]) -> tuple[str, str, str]:
    """Return type, system and value: the name under which a server holds a resource of ours.

    What somebody else made may have no identifier; then the two are empty.
    """
    identifiers = resource.get("identifier")
    first = identifiers[0] if isinstance(identifiers, list) and identifiers else {}
    return resource["resourceType"], str(first.get("system", "")), str(first.get("value", ""))


@lru_cache(maxsize=4096)
def uuid_of(system: str, value: str) -> str:
    """Return the version 5 UUID of an identifier, the same in every run."""
    # RFC 4122, 4.3. One is made for every reference; the library's way takes four times as long.
    digest = hashlib.sha1(_SPACE + f"{system}|{value}".encode(), usedforsecurity=False).digest()
    bits = int.from_bytes(digest[:16], "big") & ~_FIXED | _FIXED_TO
    text = f"{bits:032x}"
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"
