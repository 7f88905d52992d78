"""Access rights: tokens, roles, and forms that only the service's own pages can send."""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie

from optimizer.errors import InputError
from optimizer.service.admission.current_tokens import CurrentTokens
from optimizer.service.admission.token_file import Role

TOKEN = "HIGHSIDE_TOKEN"
READ_TOKEN = "HIGHSIDE_READ_TOKEN"
FORM_KEY = "HIGHSIDE_FORM_KEY"
"""Environment variable with the key that signs forms; ``serve`` takes it from ``form_key``, for all
its processes."""
OF_VARIABLES = ("local", "reader", "recorder")
"""Names of those whom no token file names: everybody where there are no tokens, and the owners of
the tokens of the environment variables."""
SESSION, VISITOR = "highside_session", "highside_visitor"
HOST_ONLY = "__Host-"
"""Beginning of a cookie's name by which browsers take it over TLS only, and from this host only
(RFC 6265bis, section 4.1.3.2)."""
SESSION_SECONDS = 12 * 3600
"""Longest lifetime of a session: a long shift."""
SHORTEST_TOKEN = 16


@dataclass(frozen=True)
class Person:
    """The sender of a request: the name of the token, and its role."""

    name: str
    role: Role
    by_cookie: bool = False

    @property
    def may_record(self) -> bool:
        """Whether this person may add runs."""
        return self.role == "record"

    def may_cancel(self, asked_by: str | None) -> bool:
        """Whether this person may cancel a job that a person of a name asked for."""
        return self.may_record or asked_by == self.name


class Access:
    """The tokens of a service, and the key of its forms.

    Args:
        tokens: persons by the SHA-256 (hex) of their tokens.
        key: 32 bytes that sign forms. They are drawn at random: a key that followed from the token
            file would let everybody who can read that file sign forms.
        file: the tokens of a file; None where there is no such file. Without a file and without
            ``tokens``, everybody may do everything.
    """

    def __init__(
        self, tokens: Mapping[str, Person], key: bytes, file: CurrentTokens | None = None
    ) -> None:
        self._tokens = dict(tokens)
        self._key = key
        self._file = file

    @classmethod
    def from_environment(cls, file: str = "") -> Access:
        """The tokens of the environment variables, and the named tokens of a file.

        Raises:
            InputError: when a token is too short to be safe, or the file is not a token file.
        """
        found: dict[str, Person] = {}
        roles: tuple[tuple[str, str, Role], ...] = (
            (READ_TOKEN, "reader", "read"),
            (TOKEN, "recorder", "record"),
        )
        for variable, name, role in roles:
            token = os.environ.get(variable, "")
            if token and len(token) < SHORTEST_TOKEN:
                raise InputError(
                    f"{variable} has fewer than {SHORTEST_TOKEN} characters.",
                    hint="Draw one: python3 -c 'import secrets; print(secrets.token_urlsafe(24))'",
                )
            if token:
                found[digest(token)] = Person(name, role)
        key = os.environ.get(FORM_KEY, "") or secrets.token_hex(32)
        if not re.fullmatch("[0-9a-fA-F]{64}", key):
            raise InputError(f"{FORM_KEY} is not 64 hexadecimal digits.", hint="Leave it unset.")
        return cls(found, bytes.fromhex(key), CurrentTokens(file) if file else None)

    @property
    def open(self) -> bool:
        """Whether the service works without tokens."""
        return not self._tokens and self._file is None

    @property
    def known(self) -> int:
        """The number of tokens that are valid now."""
        return len(self._persons())

    def by_token(self, token: str) -> Person | None:
        """The person to whom a token belongs; None for an unknown token."""
        return self.by_digest(digest(token))

    def by_digest(self, given: str) -> Person | None:
        """The person to whom the token with a SHA-256 (hex) belongs; None for an unknown one."""
        found = None
        # All tokens are compared, so that the time taken reveals nothing.
        for known, person in self._persons().items():
            if hmac.compare_digest(known.encode(), given.encode()):
                found = person
        return found

    def by_header(self, authorization: str) -> Person | None:
        """The person of an ``Authorization`` header; None for an unknown one."""
        scheme, _, token = authorization.partition(" ")
        return self.by_token(token.strip()) if scheme.lower() == "bearer" else None

    def _persons(self) -> Mapping[str, Person]:
        named = self._file.valid() if self._file else {}
        return {
            **{sha256: Person(each.name, each.role) for sha256, each in named.items()},
            **self._tokens,
        }

    # -- forms -------------------------------------------------------------------------------

    def form_token(self, cookies: Mapping[str, str]) -> str:
        """The text that a form must send back, which depends on the browser's cookie."""
        return self._sign("form", self.visitor(cookies))

    def visitor(self, cookies: Mapping[str, str]) -> str:
        """The text that identifies a browser: its session, or a number drawn at the first visit."""
        return cookies.get(VISITOR if self.open else SESSION, "")

    def check_form(self, given: str, cookies: Mapping[str, str]) -> bool:
        """Whether a form came from a page that was sent to this browser."""
        known = bool(self.visitor(cookies))
        return known and hmac.compare_digest(given.encode(), self.form_token(cookies).encode())

    def _sign(self, purpose: str, text: str) -> str:
        return hmac.new(self._key, f"{purpose}\n{text}".encode(), hashlib.sha256).hexdigest()


def digest(token: str) -> str:
    """The SHA-256 of a token in the hexadecimal form of a token file.

    >>> digest("an example of a token")[:8]
    '02c5bdb2'
    """
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()


def read_cookies(header: str, secure: bool) -> dict[str, str]:
    """The cookies of a request by name, without ``HOST_ONLY``; empty where they cannot be read.

    Args:
        header: the ``Cookie`` header.
        secure: whether browsers reach the service over TLS. Then only cookies with ``HOST_ONLY``
            count, since any other may be set by another host of the domain.
    """
    jar: SimpleCookie = SimpleCookie()
    try:
        jar.load(header)
    except CookieError:
        return {}
    found = {name: morsel.value for name, morsel in jar.items()}
    if not secure:
        return found
    return {n.removeprefix(HOST_ONLY): v for n, v in found.items() if n.startswith(HOST_ONLY)}


def set_cookie(name: str, value: str, seconds: int, secure: bool) -> str:
    """A ``Set-Cookie`` header for a cookie that goes to this site only and is hidden from
    scripts."""
    start, flags = (HOST_ONLY, "; Secure") if secure else ("", "")
    return f"{start}{name}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Strict{flags}"
