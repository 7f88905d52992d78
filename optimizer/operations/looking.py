"""The answer ``look``: the runs of a line and what the model makes of them, as numbers to draw.

In comes a ``Situation``; out comes a ``Look``: every run with what the other runs say of it, the
plan, the effect of each setting, a map of two settings, the campaign, drift with what happened at
the time, and calibration. Pages draw it and compute nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from optimizer.campaign import Batches
from optimizer.diagnostics.calibration import PooledCalibration, coverage_by_level, pooled
from optimizer.diagnostics.record import LineDiagnosis, round_floats
from optimizer.errors import InputError, nearest
from optimizer.history.summary import iso
from optimizer.interval import rounded
from optimizer.landscape import Happening, Landscape, landscape, timeline, usual_pair
from optimizer.operations.reporting import diagnosis_of, line_batches
from optimizer.planning.plan import Plan
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import Situation
from optimizer.plant.run_columns import EVEN
from optimizer.plant.time_zone import TimeZone
from optimizer.text.sentences import listed, sentence

MOST_RUNS = 1500
"""Largest number of runs that are told one by one: the newest, and all doubtful ones beside them.
The model knows all runs."""
MOST_HAPPENINGS = 300
MOST_BATCHES = 40
QUANTITIES = ("grade", "recovery")


@dataclass(frozen=True)
class Look:
    """A plan and what surrounds it, as numbers to draw.

    Attributes:
        plan: the plan.
        landscape: effects, map and today's limits around the plan.
        runs: runs of the plan's line that are told one by one, in the order of the history; an
            entry is in the form of ``runs`` in ``highside.look/1``.
        known_runs: number of all runs of the line.
        diagnosis: diagnosis of the line; None where there are too few or too many runs for it.
        calibration: calibration of the line; None where there are too few runs for it.
        batches: the issued batches of the line.
        happenings: what happened to the line, oldest first.
        zone: time zone of the plant.
    """

    plan: Plan
    landscape: Landscape
    runs: tuple[Mapping[str, Any], ...]
    known_runs: int
    diagnosis: LineDiagnosis | None
    calibration: PooledCalibration | None
    batches: Batches
    happenings: tuple[Happening, ...]
    zone: TimeZone

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.look/1`` document."""
        plan, land = self.plan.as_dict(), self.landscape.as_dict()
        same = ("line", "history_version", "seed", "material", "goal", "run_now", "warnings")
        trials = ("rank", "order", "settings", *QUANTITIES, "chance_of_grade", "expected_gain")
        found = self.diagnosis
        drift = [] if found is None else round_floats([d.as_dict() for d in found.drift])
        return listed(
            {
                "schema": "highside.look/1",
                **{name: plan[name] for name in same},
                "time_zone": self.zone.name,
                "settings": land["today"]["settings"],
                "trials": [
                    {name: each[name] for name in trials} for each in plan["recommendations"]
                ],
                "known_runs": self.known_runs,
                "runs": [dict(run) for run in self.runs],
                "effects": [_without_readings(effect) for effect in land.get("effects", [])],
                "map": land.get("map") or None,
                "known_batches": len(self.batches.batches),
                "campaign": self._campaign(),
                "drift": drift,
                "known_happenings": len(self.happenings),
                "happenings": [
                    each.as_dict(self.zone) for each in self.happenings[-MOST_HAPPENINGS:]
                ],
                "calibration": self._calibration(),
            }
        )

    def _campaign(self) -> list[dict[str, Any]]:
        both = zip(self.batches.batches, self.batches.lessons, strict=True)
        told = ("trial", "order", "state", "run_id", "expected", "measured", "surprise")
        found = []
        for batch, lesson in list(both)[-MOST_BATCHES:]:
            document, taught = batch.as_dict(), lesson.as_dict()
            found.append(
                {
                    "batch": document["batch"],
                    "issued_at": document["issued_at"],
                    "closed_at": document["closed_at"],
                    "min_grade": document["plan"]["goal"]["min_grade"],
                    "best_so_far": taught["best_so_far"],
                    "surprise": taught["surprise"],
                    "trials": [{name: t[name] for name in told} for t in document["trials"]],
                }
            )
        return found

    def _calibration(self) -> dict[str, Any] | None:
        if self.calibration is None:
            return None
        levels = () if self.diagnosis is None else coverage_by_level(self.diagnosis.calibration)
        found: dict[str, Any] = round_floats(self.calibration.as_dict())
        return {
            "set_points": found["set_points"],
            "levels": [level.as_dict() for level in levels],
            "chance_of_grade": found["chance_of_grade"],
        }


def look(situation: Situation, x: str | None = None, y: str | None = None) -> Look:
    """A plan, and what surrounds it as numbers to draw.

    Args:
        situation: the situation from which the plan is made.
        x, y: names of the settings that the map shows; where one is None, the setting that matters
            most for the recovery among the others is taken.

    Raises:
        InputError: when the line has no setting of such a name, or both are the same.
        LimitError: when the limits leave nothing to recommend.
        HistoryError: when the history cannot be read.
    """
    names = situation.evidence.space.names
    check_pair(names, x, y)
    plan = plan_of(situation)
    found = diagnosis_of(situation, plan)
    whole = None if found is None or isinstance(found, PooledCalibration) else found.lines[0]
    pair = pair_of(names, x, y, whole)
    situation.progress(sentence("stage_map"))
    around = landscape(situation, plan, pair)
    batches, line = line_batches(situation, plan), plan.line
    issued = [batch.issued for batch in batches.batches]
    runs = situation.snapshot.runs(situation.site, [] if line is None else [line])
    calibration = found if isinstance(found, PooledCalibration) else None
    return Look(
        plan=plan,
        landscape=around,
        runs=runs_to_draw(situation, runs, whole),
        known_runs=runs.num_rows,
        diagnosis=whole,
        calibration=calibration if whole is None else pooled([whole.calibration]),
        batches=batches,
        happenings=() if line is None else timeline(situation.snapshot, line, issued),
        zone=situation.site.time_zone,
    )


def check_pair(names: tuple[str, ...], x: str | None, y: str | None) -> None:
    """Refuses settings of a map that a line lacks, or that are the same.

    Raises:
        InputError: names the setting, and the nearest known one.
    """
    for axis, name in (("x", x), ("y", y)):
        if name is not None and name not in names:
            raise InputError(
                f"{axis}: there is no setting '{name[:60]}'.",
                code="unknown-setting",
                hint=nearest(name, names),
            )
    if x is not None and x == y:
        raise InputError(
            f"x and y are both '{x}': a map needs two different settings.",
            code="same-setting",
            hint="Choose another one for y.",
        )


def pair_of(
    names: tuple[str, ...], x: str | None, y: str | None, found: LineDiagnosis | None
) -> tuple[str, str] | None:
    """The two settings of the map: those chosen, else those that matter most for the recovery.

    Args:
        names: names of the settings.
        x, y: the settings that were chosen; None where none was.
        found: diagnosis of the line, which says what matters; None where there is none.

    Returns:
        The names for x and y; None for a line with one setting.
    """
    ranked = [*usual_pair(names), *names]
    if found is not None:
        total = {
            name: effect.total.mean or 0.0
            for name, effect in zip(
                found.sensitivity.names, found.sensitivity.effects["recovery"], strict=True
            )
        }
        # Of gates their profile is known; a map, which moves one gate alone, shows little of it.
        ranked = sorted(names, key=lambda name: -total.get(name, 0.0))
    free = [name for name in dict.fromkeys(ranked) if name not in (x, y)]
    first = x or (free.pop(0) if free else None)
    second = y or (free.pop(0) if free else None)
    return None if first is None or second is None else (first, second)


def runs_to_draw(
    situation: Situation, runs: pa.Table, found: LineDiagnosis | None
) -> tuple[dict[str, Any], ...]:
    """The runs that are told one by one: the newest ``MOST_RUNS``, and all doubtful ones.

    Args:
        situation: the situation, whose evidence has a row for each of the n runs.
        runs: the n runs of the line, in the site's units.
        found: diagnosis of the line, whose residuals have a row for each measured run; or None.
    """
    e = situation.evidence
    assert len(e.grade) == runs.num_rows
    doubts = {} if found is None else {doubt.run: doubt.reason for doubt in found.doubtful}
    chosen = sorted({*range(max(0, runs.num_rows - MOST_RUNS), runs.num_rows), *doubts})
    columns = ("run_id", "started_at", "deck_state", *QUANTITIES, *e.space.names)
    rows = runs.select(list(columns)).take(pa.array(chosen, pa.int64())).to_pylist()
    place = {run: k for k, run in enumerate(np.flatnonzero(e.measured).tolist())}
    told = []
    for run, row in zip(chosen, rows, strict=True):
        at = row["started_at"]
        entry = {
            "run_id": row["run_id"],
            "started_at": None if at is None else iso(at),
            "clock": None if at is None else f"{e.zone.clock(at):%Y-%m-%dT%H:%M}",
            "state": row["deck_state"] or EVEN,
            **{name: rounded(row[name]) for name in QUANTITIES},
            "settings": {name: row[name] for name in e.space.names},
            "expected": None,
            "residual": None,
            "doubt": doubts.get(run),
        }
        if found is not None and run in place:
            expected = {n: float(found.residuals.expected[n][place[run]]) for n in QUANTITIES}
            entry["expected"] = {n: rounded(v) for n, v in expected.items()}
            entry["residual"] = {n: rounded(row[n] - v) for n, v in expected.items()}
        told.append(entry)
    return tuple(told)


def _without_readings(effect: Mapping[str, Any]) -> dict[str, Any]:
    """An effect without the readings of the runs, which ``runs`` tells as they were read."""
    return {name: value for name, value in effect.items() if name != "readings"}
