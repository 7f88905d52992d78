"""Changes of the file of named tokens: a new token, and the end of one.

The file is written whole and for its owner alone. Comments and everything else in it stay. A
running service reads it again before its next request.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import tomlkit
from filelock import FileLock

from optimizer.errors import InputError, nearest, reason_of
from optimizer.files import write_whole
from optimizer.service.admission.access import OF_VARIABLES, digest
from optimizer.service.admission.token_file import (
    LONGEST_NAME,
    Role,
    Token,
    end_of,
    read_text,
    read_tokens,
)
from optimizer.text.names import normal_name

TOKEN_BYTES = 32
"""Number of random bytes of a token; ASVS 5.0.0, 11.5.1, asks for 16 at least."""
LOCK_SECONDS = 20.0
BEGINNING = (
    "# The named tokens of a service, written by 'highside token'. It holds their hashes only.\n"
)


@dataclass(frozen=True)
class NewToken:
    """A token that was just made.

    Attributes:
        token: the token itself, which is stored nowhere.
        entry: what the file says of it.
        file: path of the file.
    """

    token: str
    entry: Token
    file: str

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.token/1`` document, with the token."""
        found = self.entry.as_dict(datetime.now(UTC))
        return {"schema": "highside.token/1", "file": self.file, **found, "token": self.token}


@dataclass(frozen=True)
class NamedTokens:
    """The tokens of a file.

    Attributes:
        file: path of the file.
        entries: its tokens, in its order.
    """

    file: str
    entries: Sequence[Token]

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.tokens/1`` document."""
        now = datetime.now(UTC)
        found = [entry.as_dict(now) for entry in self.entries]
        return {"schema": "highside.tokens/1", "file": self.file, "tokens": found}


def named_tokens(path: str | Path) -> NamedTokens:
    """The tokens of a file, without their hashes.

    Raises:
        InputError: when the file is missing, may be read by others, or is not a token file.
    """
    return NamedTokens(str(path), read_tokens(Path(path)))


def new_token(
    path: str | Path, name: str, role: Role, expires: str | date | None = None
) -> NewToken:
    """Draw a token for a person, and add its hash to a file, which is made where there is none.

    A token of that name that expired or was revoked is replaced.

    Args:
        path: path of the token file.
        name: whose token it is, at most 60 characters.
        role: ``read`` or ``record``.
        expires: last day (UTC) or moment at which it is valid, in ISO 8601; None for no end.

    Raises:
        InputError: when the name has a valid token, the end is past, or the file cannot be used.
    """
    named = normal_name(name, "the name of a token", LONGEST_NAME)
    if named in OF_VARIABLES:
        raise InputError(
            f"'{named}' is the name of a token of the environment.",
            hint="Choose another name, so that the audit trail tells the two apart.",
        )
    now, end = datetime.now(UTC).replace(microsecond=0), _end(expires)
    if end is not None and end_of(end) <= now:
        raise InputError(f"--expires {end.isoformat()} is in the past.", code="past-expiry")
    token = secrets.token_urlsafe(TOKEN_BYTES)
    entry = Token(named, role, digest(token), now, end)
    with _changed(Path(path), missing=BEGINNING) as (document, entries):
        old = entries.get(named)
        if old is not None and old.state(now) == "valid":
            raise InputError(
                f"'{named}' has a valid token.",
                code="token-exists",
                hint=f"Revoke it first: highside token revoke '{named}' --tokens FILE",
            )
        table = tomlkit.table()
        table.update({"role": role, "sha256": entry.sha256, "created": now})
        if end is not None:
            table["expires"] = end
        every = document.setdefault("tokens", tomlkit.table(is_super_table=True))
        for key in [key for key in every if _same(key, named)]:
            del every[key]
        every[named] = table
    return NewToken(token, entry, str(path))


def revoke_token(path: str | Path, name: str) -> NamedTokens:
    """End a token, and with it all sessions that were begun with it.

    Args:
        path: path of the token file.
        name: whose token it is.

    Returns:
        The revoked token.

    Raises:
        InputError: when there is no such token, it was revoked before, or the file cannot be used.
    """
    named = normal_name(name, "the name of a token", LONGEST_NAME)
    now = datetime.now(UTC).replace(microsecond=0)
    with _changed(Path(path)) as (document, entries):
        old = entries.get(named)
        if old is None:
            raise InputError(
                f"'{path}' has no token of '{named}'.",
                code="unknown-token",
                hint=nearest(named, entries),
            )
        if old.revoked is not None:
            said = f"the token of '{named}' was revoked at {old.revoked.isoformat()}."
            raise InputError(said, code="token-revoked")
        every = document["tokens"]
        (key,) = [key for key in every if _same(key, named)]
        every[key]["revoked"] = now
    (entry,) = [each for each in read_tokens(Path(path)) if each.name == named]
    return NamedTokens(str(path), (entry,))


@contextmanager
def _changed(path: Path, missing: str | None = None) -> Iterator[tuple[Any, dict[str, Token]]]:
    """The content of a token file, which is written when the block ends without an error.

    Args:
        path: path of the file.
        missing: text of a file that does not exist; None to refuse that.
    """
    try:
        with FileLock(str(path.with_name(f".{path.name}.lock")), LOCK_SECONDS):
            new = missing is not None and not path.exists()
            text = missing if new else read_text(path)
            entries = {} if new else {each.name: each for each in read_tokens(path)}
            document: Any = tomlkit.parse(text or "")
            yield document, entries
            write_whole(path, tomlkit.dumps(document).encode(), secret=True)
    except OSError as error:  # a timeout of the lock is one, too
        raise InputError(f"token file '{path}' cannot be written: {reason_of(error)}.") from None


def _same(key: str, name: str) -> bool:
    return normal_name(key, "the name of a token", LONGEST_NAME) == name


def _end(expires: str | date | None) -> date | None:
    """The end of a token that was given as text."""
    if not isinstance(expires, str):
        return expires
    for read in (date.fromisoformat, datetime.fromisoformat):
        try:
            found = read(expires)
        except ValueError:
            continue
        if isinstance(found, datetime) and found.tzinfo is None:
            found = found.astimezone()  # a time of the clock of this machine
        return found
    raise InputError(
        f"--expires '{expires[:40]}' is not a date.",
        code="not-a-date",
        hint="Write the last day, 2027-03-31, or a moment, 2027-03-31T18:00+02:00.",
    )
