"""The sessions of browsers, kept by the service, so that it can end them.

A session is a file in the folder of the service, so all processes of a service share it and a
restart ends none. Its name is the hash of the number in the browser's cookie: whoever reads the
folder cannot use a session. It ends when its person signs out, with the token that began it, when
the role of that token changes, after a time without a request, and at its latest after a shift.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import time
from contextlib import suppress
from pathlib import Path

from optimizer.errors import HistoryError, reason_of
from optimizer.files import write_whole
from optimizer.service.admission.access import SESSION_SECONDS, Access, Person, digest

IDLE_SECONDS = 4 * 3600
"""Longest time without a request. Between two trials a tablet at the deck lies still for an hour or
two; what was typed meanwhile is kept."""
NOTED_SECONDS = 60
"""How often the latest request of a session is noted."""
NUMBER_BYTES = 32
_NUMBER = re.compile(r"[A-Za-z0-9_-]{43}")


class Sessions:
    """The sessions of one service.

    Args:
        folder: folder of the session files; a missing one is created.
        access: the tokens of the service.
    """

    def __init__(self, folder: Path, access: Access) -> None:
        self._folder = folder
        self._access = access

    def begin(self, token: str, before: str = "") -> str | None:
        """Begin a session for the owner of a token, in place of the one that the browser had.

        Args:
            token: the token.
            before: value of the browser's cookie before; empty where it had none.

        Returns:
            The value of the session's cookie; None for an unknown token.

        Raises:
            HistoryError: when the session cannot be written.
        """
        person = self._access.by_token(token)
        if person is None:
            return None
        self._sweep()
        number = secrets.token_urlsafe(NUMBER_BYTES)
        content = {
            "token": digest(token), "name": person.name, "role": person.role,
            "until": time.time() + SESSION_SECONDS,
        }  # fmt: skip
        write_whole(self._path(number), json.dumps(content).encode(), own=True, secret=True)
        self.end(before)
        return number

    def person(self, number: str) -> Person | None:
        """The person of a session; None where there is none, or it has ended."""
        if not _NUMBER.fullmatch(number):
            return None
        path, now = self._path(number), time.time()
        try:
            content = json.loads(path.read_bytes())
            latest = path.stat().st_mtime
            token, until = content["token"], content["until"]
            as_begun = content["name"], content["role"]
        except (OSError, ValueError, KeyError, TypeError):
            return None
        owner = self._access.by_digest(token)
        if owner is None or (owner.name, owner.role) != as_begun:
            return None
        if now >= until or now - latest >= IDLE_SECONDS:
            return None
        if now - latest >= NOTED_SECONDS:
            with suppress(OSError):  # it may end at this moment, or the disk may be read-only
                os.utime(path)
        return Person(owner.name, owner.role, by_cookie=True)

    def end(self, number: str) -> None:
        """End a session; nothing happens where there is none.

        Raises:
            HistoryError: when its file cannot be removed.
        """
        if not _NUMBER.fullmatch(number):
            return
        path = self._path(number)
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise HistoryError(
                f"the session '{path}' cannot be ended: {reason_of(error)}.",
                code="unwritable-session",
                hint="Check the permissions of this folder, then sign out again.",
            ) from None

    def _sweep(self) -> None:
        """Remove the files of sessions that ended by themselves."""
        oldest = time.time() - SESSION_SECONDS
        with suppress(OSError):  # another process sweeps, too
            for path in self._folder.iterdir():
                if path.stat().st_mtime < oldest:
                    path.unlink(missing_ok=True)

    def _path(self, number: str) -> Path:
        return self._folder / digest(number)
