"""Signing and sending what a webhook tells, by the open Standard Webhooks form.

Each call is a POST of JSON with three headers: `webhook-id` (the same at every attempt),
`webhook-timestamp` (Unix seconds) and `webhook-signature` (`v1,` and the base 64 of the
HMAC-SHA256 of `id.timestamp.body` under the secret). Calls go to public addresses over HTTPS only,
follow no redirection and wait no longer than ten seconds, so that an address somebody typed cannot
be used to reach what lies behind our own firewall.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import http.client
import ipaddress
import secrets
import socket
import ssl
from dataclasses import dataclass
from urllib.parse import urlsplit

TIMEOUT_S = 10.0
MOST_BYTES_READ = 4096
PREFIX = "whsec_"


class UnsafeAddressError(ValueError):
    """An address that a webhook must not go to, with the reason in words."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: the status, or why there was none."""

    status: int | None
    trouble: str = ""

    @property
    def taken(self) -> bool:
        """Whether the call arrived."""
        return self.status is not None and 200 <= self.status < 300


def new_secret() -> str:
    """Return a new secret of 192 bits, as it is shown to whoever sets the webhook up."""
    return PREFIX + base64.b64encode(secrets.token_bytes(24)).decode()


def signature(secret: str, call_id: str, timestamp: int, body: bytes) -> str:
    """Return the `webhook-signature` of a call."""
    key = base64.b64decode(secret.removeprefix(PREFIX))
    message = f"{call_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key, message, hashlib.sha256).digest()).decode()


def check_address(address: str) -> None:
    """Refuse what cannot be an address of a webhook, without looking anything up."""
    parts = urlsplit(address)
    if parts.scheme != "https" or not parts.hostname:
        raise UnsafeAddressError("Must begin with https:// and name a host.")
    if parts.username or parts.password or parts.fragment:
        raise UnsafeAddressError("Must not hold a user name, a password or a fragment.")
    try:
        if not ipaddress.ip_address(parts.hostname).is_global:
            raise UnsafeAddressError("Must be an address on the public network.")
    except ValueError as error:
        if isinstance(error, UnsafeAddressError):
            raise


def public_address_of(host: str, port: int) -> str:
    """Look a host up and return its first address. Raises UnsafeAddressError unless all are
    public: the one that was looked at must be the one that is called.
    """
    found = [info[4][0] for info in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]
    if not all(ipaddress.ip_address(one).is_global for one in found):
        raise UnsafeAddressError(f"{host} is not on the public network.")
    return str(found[0])


class _Pinned(http.client.HTTPSConnection):
    """Speaks to an address that was looked at, under the host's own name and certificate."""

    def __init__(self, host: str, port: int, address: str) -> None:
        super().__init__(host, port, timeout=TIMEOUT_S, context=ssl.create_default_context())
        self._address = address

    def connect(self) -> None:
        """Open the connection to the pinned address."""
        plain = socket.create_connection((self._address, self.port), self.timeout)
        context: ssl.SSLContext = self._context  # type: ignore[attr-defined]
        self.sock = context.wrap_socket(plain, server_hostname=self.host)


def connection_to(host: str, port: int) -> http.client.HTTPConnection:
    """Return a connection to a public host."""
    return _Pinned(host, port, public_address_of(host, port))


def send(address: str, *, secret: str, call_id: str, timestamp: int, body: bytes) -> Answer:
    """Send a call once and say what came of it. Never raises for trouble on the way."""
    parts = urlsplit(address)
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    headers = {
        "Content-Type": "application/json",
        "User-Agent": "Swathbook-Webhooks",
        "webhook-id": call_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": signature(secret, call_id, timestamp, body),
    }
    try:
        check_address(address)
        connection = connection_to(parts.hostname or "", parts.port or 443)
        try:
            connection.request("POST", path, body=body, headers=headers)
            response = connection.getresponse()
            response.read(MOST_BYTES_READ)
            status = response.status
        finally:
            connection.close()
    except UnsafeAddressError as error:
        return Answer(None, str(error))
    except (OSError, http.client.HTTPException) as error:
        return Answer(None, f"{type(error).__name__}: {error}"[:200])
    taken = 200 <= status < 300
    return Answer(status, "" if taken else f"It answered {status} {response.reason}."[:200])
