"""The units in which a load stores its runs, and what the load tells of them.

Before the first run the description of the history is read, and a site that would mix units is
refused. After the last run, what is new in the description becomes an event of the load's commit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pyarrow as pa

from optimizer.history.description import described_by, news, not_used, undeclared
from optimizer.history.stored_units import StoredUnits
from optimizer.intake.settling.loading import Load
from optimizer.intake.settling.log_files import LogFile


def described(load: Load, given: Sequence[LogFile]) -> Iterator[pa.RecordBatch]:
    """The new runs of a load, which are stored in the units of the history and described.

    Raises:
        InputError: when the history has a column in a unit that cannot be converted to the site's.
    """
    # The history is opened with the first run and not before. A commit of the load follows this
    # version or an earlier one, and it fails if the version is no longer the latest.
    before = load.history.at()
    load.units = load.asking.units = StoredUnits(load.site, before.description)
    load.units.check(before.lines)
    load.warnings += [not_used(name) for name in undeclared(before.columns, load.site)]
    yield from load.runs(given)
    now = described_by(load.site, load.lines.union(before.lines), before.description)
    load.events += news(before.description, now, load.history.clock())
