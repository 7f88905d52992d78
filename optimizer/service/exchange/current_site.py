"""The site file of a service as it stands now: it is read again where it was changed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from optimizer.errors import InputError
from optimizer.plant.documents import read_toml
from optimizer.plant.site import Site

WHAT = "site file"
STANDARD = "site.toml"
"""Name of the site file in the folder of the service, where none was named."""


class CurrentSite:
    """The description of the plant, which people may change while the service runs.

    A file that cannot be used after a change does not end the service: the last usable content
    counts until the file is mended.

    Args:
        path: path of the site file; it may not exist yet.
        required: whether the file must exist.
        language: language of sheets, reports and pages, whatever the file says; empty for that of
            the file.

    Attributes:
        path: path of the site file.
        fault: what is wrong with the file as it stands; None where it can be used.

    Raises:
        InputError: when the file cannot be used, or is required and does not exist.
    """

    def __init__(self, path: str | Path, *, required: bool = False, language: str = "") -> None:
        self.path = Path(path)
        self.fault: InputError | None = None
        self._stamp: tuple[int, int, int] | None = None
        self._language = language
        self._site, self._content = self._told({})
        if required or self.path.exists():
            self._read()

    @property
    def exists(self) -> bool:
        """Whether there is a site file."""
        return self._stamped() is not None

    @property
    def site(self) -> Site:
        """The plant as the file describes it now; without a file, as no site file does."""
        self._look()
        return self._site

    @property
    def content(self) -> Mapping[str, Any]:
        """The content of the file that ``site`` describes."""
        self._look()
        return self._content

    @property
    def fingerprint(self) -> str:
        """What changes when the content of the file does; empty without a file."""
        return self.site.fingerprint if self.exists else ""

    def _look(self) -> None:
        stamp = self._stamped()
        if stamp == self._stamp:
            return
        if stamp is None:
            self._stamp, self.fault = None, None
            self._site, self._content = self._told({})
            return
        try:
            self._read()
        except InputError as error:
            self._stamp, self.fault = stamp, error

    def _read(self) -> None:
        stamp = self._stamped()
        content = read_toml(self.path, WHAT)
        self._site, self._content = self._told(content)
        self._stamp, self.fault = stamp, None

    def _told(self, content: Mapping[str, Any]) -> tuple[Site, Mapping[str, Any]]:
        """The site of a content, and the content, in the language of the service."""
        if self._language:
            content = {**content, "site": {**content.get("site", {}), "language": self._language}}
        return Site.from_dict(content, str(self.path)) if content else Site(), content

    def _stamped(self) -> tuple[int, int, int] | None:
        """What changes when the file is written again; None where there is no file."""
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_ino, found.st_size, found.st_mtime_ns
