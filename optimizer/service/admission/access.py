"""Access rights: tokens, roles, browser sessions, and forms that only the service's own pages can
send.

The server stores no sessions: a session is a signed statement in a cookie, so several processes
accept the same sessions and a restart ends none of them. The signing key is derived from the
tokens, so changing the tokens ends every session.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import time
from collections.abc import Mapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Literal

from optimizer.errors import InputError
from optimizer.plant.documents import Strict, read_toml, validate

TOKEN = "HIGHSIDE_TOKEN"
READ_TOKEN = "HIGHSIDE_READ_TOKEN"
FORM_KEY = "HIGHSIDE_FORM_KEY"
"""Environment variable with the key that signs forms where there are no tokens; ``serve`` takes it
from ``form_key``, for all its processes."""
SESSION, VISITOR = "highside_session", "highside_visitor"
SESSION_SECONDS = 14 * 3600
"""Lifetime of a session: longer than a shift and shorter than a day."""
SHORTEST_TOKEN = 16

Role = Literal["read", "record"]


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


class _Named(Strict):
    role: Role
    sha256: str


class _TokenFile(Strict):
    tokens: dict[str, _Named]


class Access:
    """The tokens of a service.

    Args:
        tokens: persons by the SHA-256 (hex) of their tokens; when it is empty, everybody may do
            everything.
        key: 32 bytes that sign sessions and forms.
    """

    def __init__(self, tokens: Mapping[str, Person], key: bytes) -> None:
        self._tokens = dict(tokens)
        self._key = key

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
        if file:
            content: _TokenFile = validate(_TokenFile, read_toml(file, "token file"), file)
            for name, entry in content.tokens.items():
                found[entry.sha256.lower()] = Person(name, entry.role)
        if found:
            key = hashlib.sha256("\n".join(["session", *sorted(found)]).encode()).digest()
        else:
            key = bytes.fromhex(os.environ.get(FORM_KEY, "") or secrets.token_hex(32))
        return cls(found, key)

    @property
    def open(self) -> bool:
        """Whether the service works without tokens."""
        return not self._tokens

    def by_token(self, token: str) -> Person | None:
        """The person to whom a token belongs; None for an unknown token."""
        given, found = digest(token), None
        for (
            known,
            person,
        ) in self._tokens.items():  # compares all tokens, so that the time taken reveals nothing
            if hmac.compare_digest(known, given):
                found = person
        return found

    def person(self, authorization: str | None, cookies: Mapping[str, str]) -> Person | None:
        """The sender of a request with these headers; None for an unknown sender."""
        if self.open:
            return Person("local", "record", by_cookie=True)
        if authorization is not None:
            scheme, _, token = authorization.partition(" ")
            return self.by_token(token.strip()) if scheme.lower() == "bearer" else None
        return self._by_session(cookies.get(SESSION, ""))

    # -- sessions and forms ------------------------------------------------------------------

    def session(self, person: Person) -> str:
        """The text of a new session for the cookie."""
        stated = f"{person.name}|{person.role}|{int(time.time()) + SESSION_SECONDS}|"
        stated += secrets.token_urlsafe(9)
        return f"{stated.encode().hex()}.{self._sign('session', stated)}"

    def _by_session(self, cookie: str) -> Person | None:
        coded, _, signature = cookie.partition(".")
        try:
            stated = bytes.fromhex(coded).decode()
        except ValueError:
            return None
        if not hmac.compare_digest(signature.encode(), self._sign("session", stated).encode()):
            return None
        name, role, until, _ = stated.rsplit("|", 3)
        known = (person for person in self._tokens.values() if person.name == name)
        current = any(person.role == role for person in known)
        if not current or float(until) < time.time():
            return None
        return Person(name, "record" if role == "record" else "read", by_cookie=True)

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


def read_cookies(header: str) -> dict[str, str]:
    """The cookies of a request by name; empty where they cannot be read."""
    jar: SimpleCookie = SimpleCookie()
    try:
        jar.load(header)
    except CookieError:
        return {}
    return {name: morsel.value for name, morsel in jar.items()}


def set_cookie(name: str, value: str, seconds: int, secure: bool) -> str:
    """A ``Set-Cookie`` header for a cookie that goes to this site only and is hidden from
    scripts."""
    flags = "; Secure" if secure else ""
    return f"{name}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Strict{flags}"
