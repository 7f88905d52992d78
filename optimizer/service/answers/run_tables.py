"""The runs of a version as one table for readers, made once for each version that is asked for."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import pyarrow as pa

from optimizer.history.changes import runs_of, withdrawn_runs
from optimizer.history.history import History
from optimizer.history.schema import in_schema
from optimizer.history.snapshot import Snapshot
from optimizer.history.start_times import latest_start, without_impossible_times
from optimizer.history.stored_units import StoredUnits
from optimizer.plant.site import Site
from optimizer.service.answers.kept_tasks import KeptTasks
from optimizer.service.answers.versions import Versions
from optimizer.service.exchange.current_site import CurrentSite

KEPT = 2
"""Largest number of tables that are kept: that of the latest version, and one of an earlier one."""
MADE = 8
"""Largest number of pages of a table that are kept."""
WITHDRAWN = "withdrawn"
"""Column that says whether a run is withdrawn; it comes last."""


@dataclass(frozen=True)
class RunTable:
    """The runs of a history at a version.

    Attributes:
        snapshot: the history at the version.
        latest: number of the latest version; None for an empty history.
        runs: the runs in the units of the site, in the order of an export, then the withdrawn ones;
            the last column is ``WITHDRAWN``.
        made: what was made of the table for readers, by question; kept as long as the table.
    """

    snapshot: Snapshot
    latest: int | None
    runs: pa.Table
    made: KeptTasks = field(default_factory=partial(KeptTasks, MADE))

    @property
    def version(self) -> int | None:
        """Number of the version; None for an empty history."""
        return self.snapshot.version

    @property
    def is_latest(self) -> bool:
        """Whether no later version is known."""
        return self.version == self.latest


class RunTables:
    """The tables of runs of one history.

    Args:
        history: the run history.
        plant: the site file as it stands.
        versions: the version of the history to answer from.
    """

    def __init__(self, history: History, plant: CurrentSite, versions: Versions) -> None:
        self._history = history
        self._plant = plant
        self._versions = versions
        self._kept = KeptTasks(KEPT)

    async def of(self, as_of: int | None = None) -> RunTable:
        """The runs at a version, by default the latest.

        Raises:
            InputError: when there is no such version.
            HistoryError: when the history cannot be read.
        """
        table_id, latest = self._versions.latest()
        site = self._plant.site
        key = (table_id, latest if as_of is None else as_of, site.fingerprint)
        found = await self._kept.of(key, partial(self._made, key[1], latest, site))
        return replace(found, latest=latest)

    def _made(self, version: int | None, latest: int | None, site: Site) -> RunTable:
        snapshot = self._history.at(version)
        return RunTable(snapshot, latest, runs_with_withdrawn(snapshot, site))


def runs_with_withdrawn(snapshot: Snapshot, site: Site) -> pa.Table:
    """The runs of a snapshot, and after them those that are withdrawn.

    Raises:
        InputError: when a stored unit cannot be converted to that of the site.
        HistoryError: when the history cannot be read.
    """
    there = snapshot.runs(site)
    gone = _withdrawn(snapshot, site, there.schema)
    marks = np.repeat([False, True], [len(there), len(gone)])
    both = pa.concat_tables([there, gone], promote_options="default").combine_chunks()
    return both.append_column(WITHDRAWN, pa.array(marks))


def _withdrawn(snapshot: Snapshot, site: Site, schema: pa.Schema) -> pa.Table:
    """The withdrawn runs as they were, with the columns of the others."""
    found = withdrawn_runs(snapshot.events)
    if not found:
        return schema.empty_table()
    runs = runs_of(list(found.values()))
    if "started_at" in runs.column_names and snapshot.written is not None:
        runs = without_impossible_times(runs, latest_start(snapshot.written))
    runs = in_schema(runs, schema)
    return StoredUnits(site, snapshot.description).in_site_units(runs)
