"""FHIR JSON as text: numbers keep the digits they were written with.

19, 19.0 and 19.00 are three statements in FHIR; a codec that goes through binary floats makes
them one. Decoded numbers are int or Decimal, never float.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import msgspec

# A JSON text that stands in a value as it is, and is not decoded before it is encoded again.
Text = msgspec.Raw

_decoder = msgspec.json.Decoder(float_hook=Decimal)
_encoder = msgspec.json.Encoder(decimal_format="number")


def decode(text: bytes | str) -> Any:
    """Return the value of a JSON text; raises ValueError with the place of the fault."""
    try:
        return _decoder.decode(text)
    except (msgspec.MsgspecError, ArithmeticError, RecursionError, UnicodeError) as error:
        raise ValueError(str(error)) from None


def encode(value: Any) -> bytes:
    """Return compact JSON; keys stay in the order they were put in."""
    return _encoder.encode(value)


def encode_pretty(value: Any) -> bytes:
    """Return indented JSON, a line an element, for files a person may open."""
    return msgspec.json.format(_encoder.encode(value), indent=1)
