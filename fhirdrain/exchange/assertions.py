"""Signed assertions and the keys they are signed with; the one way to PyJWT, loaded when needed."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

from fhirdrain.errors import ConfigurationError
from fhirdrain.exchange.auth import read_private

# SMART App Launch, "Asymmetric Authentication": the two that every server knows.
_ALGORITHMS = {"RSA": "RS384", "EC": "ES384"}


@dataclass(frozen=True, slots=True)
class Key:
    """A private key with the id by which the server knows its public half."""

    key_id: str
    algorithm: str
    public: dict[str, Any]
    _private: Any = field(repr=False)

    def sign(self, claims: dict[str, Any]) -> str:
        """Return claims as a signed token."""
        jwt = _library()
        headers = {"kid": self.key_id, "typ": "JWT"}
        token: str = jwt.encode(claims, self._private, algorithm=self.algorithm, headers=headers)
        return token

    def jwks(self) -> dict[str, Any]:
        """Return the public key as a JSON Web Key Set (RFC 7517), to be registered at a server."""
        return {"keys": [{**self.public, "kid": self.key_id, "alg": self.algorithm, "use": "sig",
                          "key_ops": ["verify"]}]}  # fmt: skip


def load_key(file: str, key_id: str | None = None) -> Key:
    """Return the key of a file in PEM or JWK that others cannot read.

    Without an id of its own it is known by its thumbprint (RFC 7638). Raises `ConfigurationError`.
    """
    _library()
    text = read_private(file, "key file")
    private, named = _private_of(text, file)
    public, kind = _public_of(private, file)
    return Key(key_id or named or _thumbprint(public), _ALGORITHMS[kind], public, private)


def _library() -> Any:
    try:
        import jwt
        import jwt.algorithms
    except ImportError:
        raise ConfigurationError(
            "signing in with a key needs PyJWT", hint="pip install 'fhirdrain[smart]'"
        ) from None
    return jwt


def _private_of(text: str, file: str) -> tuple[Any, str | None]:
    jwt = _library()
    try:
        if text.lstrip().startswith("{"):
            data = json.loads(text)
            data = data["keys"][0] if "keys" in data else data
            kind = {"RSA": jwt.algorithms.RSAAlgorithm, "EC": jwt.algorithms.ECAlgorithm}
            return kind[data["kty"]].from_jwk(json.dumps(data)), data.get("kid")
        from cryptography.hazmat.primitives.serialization import load_pem_private_key

        return load_pem_private_key(text.encode(), password=None), None
    except Exception:
        # What the library says of it may quote the key.
        raise ConfigurationError(
            "not a private key", place=file, hint="PEM or JWK, without a password"
        ) from None


def _public_of(private: Any, file: str) -> tuple[dict[str, Any], str]:
    """Return the public half as a JWK, and of which kind it is."""
    jwt = _library()
    from cryptography.hazmat.primitives.asymmetric import ec, rsa

    if isinstance(private, rsa.RSAPrivateKey) and private.key_size >= 2048:
        text, kind = jwt.algorithms.RSAAlgorithm.to_jwk(private.public_key()), "RSA"
    elif isinstance(private, ec.EllipticCurvePrivateKey) and private.curve.name == "secp384r1":
        text, kind = jwt.algorithms.ECAlgorithm.to_jwk(private.public_key()), "EC"
    else:
        raise ConfigurationError(
            "not a private key that SMART servers know",
            place=file,
            hint="RSA with 2048 bits or more, or EC on P-384",
        )
    found = {key: value for key, value in json.loads(text).items() if key not in ("d", "key_ops")}
    return found, kind


def _thumbprint(public: dict[str, Any]) -> str:
    import base64
    import hashlib

    needed = {"RSA": ("e", "kty", "n"), "EC": ("crv", "kty", "x", "y")}[public["kty"]]
    text = json.dumps({name: public[name] for name in needed}, separators=(",", ":"))
    digest = hashlib.sha256(text.encode()).digest()
    return base64.urlsafe_b64encode(digest).rstrip(b"=").decode()
