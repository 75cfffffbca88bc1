"""What differs between a resource that was sent and the one that a server holds."""

from __future__ import annotations

import re
from datetime import datetime
from decimal import Decimal
from typing import Any


def differences(sent: Any, held: Any, path: str = "") -> list[str]:
    """Return the paths at which what a server holds is not what was sent.

    Numbers are compared as numbers and times as instants, since servers may write them in another
    form; references by their identifiers where both have one. What a server adds (id, text, its
    own meta) is no difference; what it added inside, or dropped, is.
    """
    if isinstance(sent, dict) and isinstance(held, dict):
        keys = list(dict.fromkeys([*sent, *held]))
        if not path:
            keys = [key for key in keys if key not in ("id", "text")]
        if path == "meta":
            keys = [key for key in keys if key not in ("versionId", "lastUpdated")]
            # A server may set source, tags and profiles of its own beside ours.
            keys = [key for key in keys if key in sent]
        if {"reference", "identifier"} <= set(sent) and "identifier" in held:
            keys = [key for key in keys if key not in ("reference", "type")]
        found: list[str] = []
        for key in keys:
            here = f"{path}.{key}" if path else key
            if key == "meta" and key not in sent:
                continue
            if key not in sent or key not in held:
                found.append(f"{here} {'is missing there' if key in sent else 'was added there'}")
            else:
                found += differences(sent[key], held[key], here)
        return found
    if isinstance(sent, list) and isinstance(held, list):
        if len(sent) != len(held):
            return [f"{path} has {len(held)} items there, {len(sent)} here"]
        return [
            difference
            for index, (one, other) in enumerate(zip(sent, held, strict=True))
            for difference in differences(one, other, f"{path}[{index}]")
        ]
    return [] if _same(sent, held) else [f"{path} differs"]


def _same(sent: Any, held: Any) -> bool:
    if isinstance(sent, bool) or isinstance(held, bool):
        return sent is held
    if isinstance(sent, int | Decimal) and isinstance(held, int | Decimal):
        return Decimal(sent) == Decimal(held)
    if isinstance(sent, str) and isinstance(held, str) and sent != held:
        return _instant(sent) is not None and _instant(sent) == _instant(held)
    return bool(sent == held)


def _instant(text: str) -> float | None:
    if not re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)", text):
        return None
    try:
        return datetime.fromisoformat(text).timestamp()
    except ValueError:
        return None
