"""The order of one long answer: everything that the answer depends on, and a key made from it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from optimizer.plant.brief import Brief
from optimizer.service.answers.versions import Versions
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.exchange.current_site import CurrentSite
from optimizer.service.exchange.problems import Problem
from optimizer.version import __version__

PACKAGE = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Order:
    """A request for one long answer.

    Args:
        key: 32 hexadecimal digits, equal for orders that have equal answers.
        kind: one of ``kinds.MEDIA_TYPES``.
        brief: the brief as it was given, without defaults.
        seed: seed of all random numbers.
        version: version of the history; None while the history is empty.
        site: content of the site file.
        more: further options; for a comparison those that ``kinds.comparison_request`` reads,
            for a sheet its ``paper``.
    """

    key: str
    kind: str
    brief: Mapping[str, Any]
    seed: int
    version: int | None
    site: Mapping[str, Any]
    more: Mapping[str, Any] = field(default_factory=dict)


def order_from(stored: Mapping[str, Any]) -> Order:
    """The order that ``dataclasses.asdict`` made a mapping of, which may have been stored as JSON.

    Raises:
        TypeError: when it is not that of an order.
    """
    return Order(**stored)


def code_fingerprint() -> str:
    """A hash of the package's files, since changed code may answer an equal order differently."""
    found = hashlib.sha256(__version__.encode())
    for path in sorted(PACKAGE.rglob("*")):
        if path.suffix in (".py", ".toml", ".html", ".css"):
            found.update(path.read_bytes())
    return found.hexdigest()


class Orders:
    """Makes the orders of one service.

    Args:
        configuration: the history and the seed of the service.
        plant: the site file as it stands.
        versions: the version of the history to answer from.
        code: fingerprint of the program.
    """

    def __init__(
        self, configuration: Configuration, plant: CurrentSite, versions: Versions, code: str
    ) -> None:
        self._configuration = configuration
        self._plant = plant
        self._versions = versions
        self._code = code

    def order(
        self,
        kind: str,
        brief: Mapping[str, Any],
        seed: int | None = None,
        as_of: int | None = None,
        more: Mapping[str, Any] | None = None,
    ) -> Order:
        """An order for an answer from the latest version of the history, or from version ``as_of``.

        Args:
            kind: one of ``kinds.MEDIA_TYPES``.
            brief: what is wanted today.
            seed: seed of all random numbers; None for the seed of the service.
            as_of: version of the history; None for the latest.
            more: further options; for a comparison those that ``kinds.comparison_request`` reads,
                for a sheet its ``paper``.

        Raises:
            InputError: when the brief is malformed, or has a name that the site does not declare.
            Problem: when the history has no such version.
        """
        seed = self._configuration.seed if seed is None else seed
        site, content = self._plant.site, self._plant.content
        wanted = Brief.from_dict(brief).check_names(site).model_dump(mode="json")
        table, latest = self._versions.latest()
        version = latest if as_of is None else as_of
        if as_of is not None and (latest is None or not 0 <= as_of <= latest):
            raise Problem(422, f"the history has no version {as_of}.", code="no-version")
        depends = [self._code, self._configuration.history, table, version, content]
        stated = json.dumps([*depends, kind, wanted, seed, more], sort_keys=True)
        given = Brief.from_dict(brief).model_dump(mode="json", exclude_unset=True)
        key = hashlib.sha256(stated.encode()).hexdigest()[:32]
        return Order(key, kind, given, seed, version, content, more or {})
