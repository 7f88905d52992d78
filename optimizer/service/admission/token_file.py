"""The file of named tokens: who may do what, until when, and which tokens are revoked.

The file holds the hash of each token and never the token itself. A token is drawn at random with
256 bits, so its plain SHA-256 cannot be reversed by guessing (ASVS 5.0.0, 11.4.2, asks for a slow
hash of passwords, which people choose).
"""

from __future__ import annotations

import os
import re
import stat
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, field_validator

from optimizer.errors import InputError, reason_of
from optimizer.plant.documents import Strict, validate
from optimizer.text.names import normal_name

WHAT = "token file"
LONGEST_NAME = 60
"""Largest number of characters of the name of a token."""

Role = Literal["read", "record"]
State = Literal["valid", "expired", "revoked"]


@dataclass(frozen=True)
class Token:
    """A named token, of which only the hash is known.

    Attributes:
        name: whose token it is.
        role: what its owner may do.
        sha256: SHA-256 of the token, hexadecimal.
        created: when it was made; None where the file does not say.
        expires: last day (UTC) or moment at which it is valid; None for no end.
        revoked: when it was revoked; None where it was not.
    """

    name: str
    role: Role
    sha256: str
    created: datetime | None = None
    expires: date | None = None
    revoked: datetime | None = None

    def state(self, now: datetime) -> State:
        """Whether the token is valid at a moment."""
        if self.revoked is not None:
            return "revoked"
        return "valid" if self.expires is None or now < end_of(self.expires) else "expired"

    def as_dict(self, now: datetime) -> dict[str, Any]:
        """The token as an entry of a ``highside.tokens/1`` document, without its hash."""
        return {
            "name": self.name,
            "role": self.role,
            "state": self.state(now),
            **{name: _iso(getattr(self, name)) for name in ("created", "expires", "revoked")},
        }


class _Entry(Strict):
    role: Role
    sha256: str = Field(pattern=r"^[0-9a-fA-F]{64}$")
    created: datetime | None = None
    expires: Any = None
    revoked: datetime | None = None

    @field_validator("expires")
    @classmethod
    def _is_date(cls, value: Any) -> Any:
        if not isinstance(value, date):
            raise ValueError("Expected a date without quotes, such as 2027-03-31")
        return value


def read_tokens(path: Path) -> tuple[Token, ...]:
    """The tokens of a file, in its order.

    Args:
        path: path of a TOML file with a table ``[tokens.NAME]`` for each token.

    Raises:
        InputError: when the file is missing, may be read by others, or is not a token file; the
            message names the line.
    """
    text = read_text(path)
    try:
        content = tomllib.loads(text)
    except ValueError as error:
        raise InputError(
            f"{WHAT} '{path}' is not valid TOML: {reason_of(error)}.",
            hint="Text stands in quotes. 'highside token' writes this file.",
        ) from None
    return tuple(_tokens(content, text, path))


def read_text(path: Path) -> str:
    """The text of a token file that only its owner may read.

    Raises:
        InputError: when the file is missing, cannot be read, or may be read by others.
    """
    try:
        with path.open("rb") as file:
            _refuse_readable(path, os.fstat(file.fileno()).st_mode)
            return file.read().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(
            f"{WHAT} '{path}' does not exist.",
            code="no-token-file",
            hint="Make its first token: highside token new NAME --role record --tokens FILE",
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{WHAT} '{path}' cannot be read: {reason_of(error)}.") from None


def _refuse_readable(path: Path, mode: int) -> None:
    # Windows states no such permissions: its files inherit those of their folder.
    if os.name == "posix" and stat.S_IMODE(mode) & 0o077:
        raise InputError(
            f"{WHAT} '{path}' is open to other users of this machine (mode "
            f"{stat.S_IMODE(mode):03o}); expected one for its owner alone (600).",
            code="open-token-file",
            hint=f"Close it: chmod 600 '{path}'. It belongs to the user who runs the service.",
        )


def _tokens(content: Mapping[str, Any], text: str, path: Path) -> list[Token]:
    found: dict[str, Token] = {}
    owners: dict[str, str] = {}

    def refused(said: str, *keys: str, hint: str = "") -> InputError:
        where = f"{path}, line {line_of(text, keys)}" if keys else str(path)
        return InputError(f"{where}: {said}", code="token-file", hint=hint)

    for key in content.keys() - {"tokens"}:
        raise refused(f"unknown key '{key}'; expected [tokens.NAME].", key)
    entries = content.get("tokens", {})
    if not isinstance(entries, dict):
        raise refused("'tokens' is not a table; expected [tokens.NAME].", "tokens")
    for key, entry in entries.items():
        here = ("tokens", key)
        if not isinstance(entry, dict):
            raise refused(f"'{key}' is not a table; expected [tokens.{key}].", *here)
        try:
            name = normal_name(key, "the name of a token", LONGEST_NAME)
            read = validate(_Entry, entry, f"tokens.{key}")
        except InputError as error:
            inner = [error.where] if error.where in entry else []
            raise refused(error.message, *here, *inner, hint=error.hint) from None
        token = Token(
            name, read.role, read.sha256.lower(), read.created, read.expires, read.revoked
        )
        if name in found:
            raise refused(f"a second token is named '{name}'.", *here)
        if token.sha256 in owners:
            said = f"'{name}' has the token of '{owners[token.sha256]}'."
            raise refused(said, *here, "sha256", hint="Give each person a token of their own.")
        found[name], owners[token.sha256] = token, name
    return list(found.values())


def line_of(text: str, keys: Sequence[str]) -> int:
    """The number of the line at which a key of a TOML text is set, counted from 1.

    It is the last line of the shortest beginning of the text that is TOML and has the key.

    >>> line_of("[tokens.ana]\\nrole = 'read'\\n", ("tokens", "ana", "role"))
    2
    """
    lines = re.split(r"\r?\n", text)
    for count in range(1, len(lines) + 1):
        try:
            found: Any = tomllib.loads("\n".join(lines[:count]))
            for key in keys:
                found = found[key]
        except (ValueError, KeyError, TypeError):
            continue
        return count
    return len(lines)


def end_of(expires: date) -> datetime:
    """The moment from which a token is no longer valid; a day without a time ends in UTC."""
    if isinstance(expires, datetime):
        return expires if expires.tzinfo else expires.replace(tzinfo=UTC)
    return datetime.combine(expires + timedelta(days=1), time(), UTC)


def _iso(moment: date | None) -> str | None:
    return None if moment is None else moment.isoformat()
