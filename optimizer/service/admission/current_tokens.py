"""The named tokens of a running service as their file stands now."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from optimizer.errors import InputError
from optimizer.service.admission.token_file import Token, read_tokens

log = logging.getLogger("highside.service")


class CurrentTokens:
    """The tokens of a file, which is read again as soon as it was changed.

    While the file cannot be used, none of its tokens is known: a token that was revoked by a file
    with a mistake in it must not stay valid. The log then says what is wrong.

    Args:
        path: path of the file.

    Raises:
        InputError: when the file cannot be used at the start.
    """

    def __init__(self, path: str | Path) -> None:
        self._path = Path(path)
        self._stamp = self._stamped()
        self._tokens = read_tokens(self._path)

    def valid(self) -> Mapping[str, Token]:
        """The tokens that are valid now, by their hash."""
        stamp = self._stamped()
        if stamp != self._stamp:
            self._stamp, self._tokens = stamp, self._read()
        now = datetime.now(UTC)
        return {each.sha256: each for each in self._tokens if each.state(now) == "valid"}

    def _read(self) -> tuple[Token, ...]:
        try:
            found = read_tokens(self._path)
        except InputError as error:
            log.error("tokens unusable", extra={"fields": {"reason": error.message}})
            return ()
        log.info("tokens read", extra={"fields": {"tokens": len(found)}})
        return found

    def _stamped(self) -> tuple[int, ...] | None:
        """What changes when the file or its permissions do; None where there is no file."""
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns
