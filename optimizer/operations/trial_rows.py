"""The result of an issued trial as a row of a run log.

The row holds the settings as they were run and what was measured. The material that the plan
assumed is not a measurement; it stays in the plan of the batch.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime

from optimizer.errors import InputError, nearest
from optimizer.history.issued import IssuedBatch, IssuedTrial
from optimizer.plant.site import Site
from optimizer.text.headings import name_key, split_unit, with_unit

NESTED = ("settings", "material")
"""Keys of a result that hold values by name: settings as run and properties of the material."""
FIXED = ("run_id", "line")
"""Columns that the number of the trial determines."""


def trial_row(
    batch: IssuedBatch,
    trial: IssuedTrial,
    result: Mapping[str, object],
    site: Site,
    now: datetime,
) -> dict[str, object]:
    """The row of a trial's result.

    Args:
        batch, trial: the batch, with settings in the units of the site, and its trial.
        result: columns and values, which take precedence over the planned settings; ``settings``
            and ``material`` may hold values by name.
        site: the plant, which declares the names.
        now: the start of the run where the result states none, with its time zone.

    Raises:
        InputError: when nothing was given, a name is unknown, or the result states another run id
            or line.

    >>> flat({"grade": 0.98, "settings": {"air": 33}}, Site(), "deck-1")
    {'grade': 0.98, 'air': 33}
    """
    given = flat(result, site, batch.line)
    for name, own in zip(FIXED, (trial.trial, batch.line), strict=True):
        if given.pop(name, own) != own:
            raise InputError(
                f"{name} '{result[name]}' is not that of trial '{trial.trial}', which is '{own}'.",
                code="another-run",
                hint=f"Leave {name} out: the number of the trial says it.",
            )
    if not given:
        raise InputError(
            "no result was given.", code="nothing-measured", hint="Give --grade and --recovery."
        )
    named = {name_key(split_unit(heading)[0]) for heading in given}
    # One value for all gates takes the place of what was planned for each.
    for whole, at in site.space_of(batch.line).gates.items():
        if name_key(whole) in named:
            named |= {name_key(site.space_of(batch.line).names[j]) for j in at}
    planned: dict[str, object] = {
        with_unit(name, batch.units.get(name, "")): value
        for name, value in trial.planned.items()
        if name_key(name) not in named
    }
    row = {"run_id": trial.trial, "line": batch.line, **planned, **given}
    row.setdefault("started_at", now.isoformat(timespec="seconds"))
    return row


def flat(result: Mapping[str, object], site: Site, line: str) -> dict[str, object]:
    """A result without nested values; empty values are left out.

    Raises:
        InputError: when ``settings`` or ``material`` holds a name that the site lacks.
    """
    row = {name: value for name, value in result.items() if name not in NESTED}
    space = site.space_of(line)
    settings = (*space.names, *space.gates)
    known = {"settings": settings, "material": (*site.material_names, "material")}
    for table, names in known.items():
        values = result.get(table)
        if isinstance(values, Mapping):
            _check(table, values, names)
            row.update(values)
        elif values is not None:  # the label of the material
            row[table] = values
    return {name: value for name, value in row.items() if value is not None and value != ""}


def _check(table: str, values: Mapping[str, object], known: Collection[str]) -> None:
    keys = {name_key(name) for name in known}
    for heading in values:
        if name_key(split_unit(heading)[0]) not in keys:
            raise InputError(
                f"{table}: unknown name '{heading}'.",
                code="unknown-name",
                hint=nearest(heading, known),
            )
