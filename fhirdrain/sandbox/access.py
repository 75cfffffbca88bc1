"""Who may come in, where a bearer token is asked for."""

from __future__ import annotations

import hmac


def is_signed(authorization: str, token: str) -> bool:
    """Tell whether an Authorization header presents the token, in a time that tells nothing."""
    scheme, _, presented = authorization.partition(" ")
    same = hmac.compare_digest(presented.strip().encode(), token.encode())
    return same and scheme.lower() == "bearer"
