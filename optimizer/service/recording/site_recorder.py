"""Records what people say of the plant: a changed site file, or the demo's plant with its runs."""

from __future__ import annotations

import asyncio
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from filelock import FileLock

from optimizer.errors import HistoryError, InputError, reason_of
from optimizer.files import write_whole
from optimizer.intake.settling.load import LoadReport
from optimizer.operations.demo import load_season, season_site
from optimizer.operations.site_check import SiteCheck, check_site
from optimizer.plant.site import Site
from optimizer.plant.site_document import Wish, changed
from optimizer.plant.template import site_template
from optimizer.service.exchange.current_site import CurrentSite
from optimizer.service.exchange.problems import Problem
from optimizer.service.recording.audit import Audit
from optimizer.service.recording.recorder import COUNTS, Recorder


class SiteMixes(InputError):
    """A site file that would make commands mix two units; it was not written.

    Args:
        check: the site file beside the history.
    """

    default_code = "mixed-units"

    def __init__(self, check: SiteCheck) -> None:
        first = next(each for each in check.differences if each.mixes)
        super().__init__(first.text)
        self.check = check


class SiteRecorder:
    """Writes the site file of a service.

    Args:
        recorder: recorder of the runs; nothing is loaded while the site file changes.
        plant: the site file as it stands.
        audit: audit trail, which records who changed it.
        folder: folder of the service, for a lock that its processes share.
    """

    def __init__(self, recorder: Recorder, plant: CurrentSite, audit: Audit, folder: Path) -> None:
        self._recorder = recorder
        self._plant = plant
        self._audit = audit
        self._folder = folder

    def checked(self, wish: Wish) -> tuple[str, SiteCheck]:
        """The text of the site file with the changes of a wish, and that file beside the history.

        Raises:
            InputError: when the changed file would not be valid.
            Problem: when the file cannot be read as it stands.
        """
        if self._plant.fault is not None:
            raise Problem(
                409, f"The site file cannot be read as it stands: {self._plant.fault.message}",
                code="site-file-fault", hint="Mend it by hand first; nothing was written.",
            )  # fmt: skip
        text = changed(self._text(), wish)
        site = Site.from_dict(tomllib.loads(text.removeprefix("\ufeff")), str(self._plant.path))
        return text, check_site(self._recorder.history, site)

    async def save(self, wish: Wish, filled_from: str, sender: Mapping[str, Any]) -> SiteCheck:
        """Change the site file, and return when it and the audit entry are on disk.

        Args:
            wish: what is wanted of the plant.
            filled_from: fingerprint of the file that the person changed.
            sender: entries of the audit trail about the sender.

        Raises:
            Problem: when another person changed the file meanwhile, or it cannot be read.
            SiteMixes: when commands would mix two units.
            InputError: when the changed file would not be valid, or cannot be written.
        """

        def save() -> SiteCheck:
            with self._alone():
                site = self._plant.site
                if self._plant.fingerprint != filled_from:
                    raise Problem(
                        409, "Another person changed the plant meanwhile; nothing was saved.",
                        code="site-changed",
                        hint="What you typed stands below; save again to replace theirs by it.",
                    )  # fmt: skip
                text, check = self.checked(wish)
                if check.mixes:
                    raise SiteMixes(check)
                write_whole(self._plant.path, text.encode())
                before = site.fingerprint if filled_from else None
                self._audit.add(
                    did="site", **sender, before=before, fingerprint=check.site.fingerprint
                )
                return check

        return await self._recorder.write(save)

    async def demo(self, sender: Mapping[str, Any]) -> LoadReport:
        """Load the bundled season with its site file, and return when all of it is on disk.

        Raises:
            Problem: when there is a history or another site file.
            InputError: when the season is not installed, or the file cannot be written.
        """

        def load() -> LoadReport:
            with self._alone():
                own = self._plant.exists and self._plant.path.read_bytes() != season_site()
                if own or self._recorder.history.at().version is not None:
                    raise Problem(
                        409, "The demo needs an empty history and no site file.", code="not-empty",
                        hint="Start another service for it: highside serve --history DIR --site "
                        "FILE, with names that do not exist yet.",
                    )  # fmt: skip
                report = load_season(self._recorder.history, self._plant.path)
                counts = report.as_dict()
                told = {name: counts[name] for name in COUNTS}
                self._audit.add(did="site", **sender, before=None,
                                fingerprint=self._plant.site.fingerprint)  # fmt: skip
                self._audit.add(did="demo", **sender, **told)
                return report

        return await self._recorder.write(load)

    async def check(self, wish: Wish) -> SiteCheck:
        """What a wish would make of the plant, beside the history.

        Raises:
            InputError: when the changed file would not be valid.
            Problem: when the file cannot be read as it stands.
        """
        return (await asyncio.to_thread(partial(self.checked, wish)))[1]

    def _text(self) -> str:
        """The text of the site file; that of a new one where there is none."""
        if not self._plant.exists:
            return site_template()
        try:
            return self._plant.path.read_bytes().decode()
        except (OSError, UnicodeDecodeError) as error:
            path = self._plant.path
            raise InputError(f"site file '{path}' cannot be read: {reason_of(error)}.") from None

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """A context in which no other process of this service changes the site file."""
        lock = FileLock(self._folder / "site.lock")
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            lock.acquire()
        except OSError as error:
            raise HistoryError(
                f"'{self._folder}' cannot be written: {reason_of(error)}.",
                code="unwritable-history",
                hint="Check the space on the disk and the permissions, then do the same again.",
            ) from None
        try:
            yield
        finally:
            lock.release()
