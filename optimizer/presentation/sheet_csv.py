"""The trial sheet as a log to fill in, with one row for each trial, which ``record --from`` reads.

The line and the settings are filled in. The columns of time, readings, deck state and material are
empty; the material that the plan assumed is not a measurement. A row that stays empty is a trial
that was not run yet, and is skipped when the sheet is read.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Mapping
from typing import Any

from optimizer.presentation.sheet import by_order
from optimizer.text.formulas import harmless
from optimizer.text.headings import with_unit
from optimizer.text.plan_middlings import keeps_middlings
from optimizer.text.trial_numbers import id_of_trial

# Columns to fill in. Grade and recovery are in per cent, since people write them as 98.7.
BLANK = ("grade [%]", "recovery [%]", "grade_count", "deck_state", "note")
OF_MIDDLINGS = ("middlings_share [%]", "middlings_grade [%]")
DIGITS = 8


def sheet_csv(plan: Mapping[str, Any], batch: str | None = None) -> str:
    """The trials of a ``highside.plan/1`` document as CSV text, in the order they are run.

    Each row has its own run id: the number of the trial, or one made from the plan where it was not
    issued. So each trial is added only once, even if the sheet is read twice, the second time with
    more rows filled in.

    Args:
        plan: the plan.
        batch: id of the batch as which the plan was issued; None for a plan that was not issued.
    """
    mark, middlings = _mark(plan), OF_MIDDLINGS if keeps_middlings(plan) else ()
    rows = [
        {
            "run_id": f"{mark}-{trial['order']}"
            if batch is None
            else id_of_trial(batch, trial["order"]),
            "line": plan["line"] or "",
            "started_at": "",
            **dict.fromkeys(plan["material"], ""),
            **{with_unit(name, plan["units"][name]): v for name, v in trial["settings"].items()},
            **dict.fromkeys((*BLANK[:-2], *middlings, *BLANK[-2:]), ""),
        }
        for trial in by_order(plan)
    ]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(map(harmless, rows[0]))
    writer.writerows([harmless(cell) for cell in row.values()] for row in rows)
    return text.getvalue()


def _mark(plan: Mapping[str, Any]) -> str:
    """A short id of a plan; plans of another history, brief or seed have other ids."""
    essence = [plan["history_version"], plan["line"], plan["material"], plan["seed"]]
    essence += [[t["settings"] for t in by_order(plan)]]
    digest = hashlib.sha256(json.dumps(essence, sort_keys=True).encode()).hexdigest()
    return f"trial-{digest[:DIGITS]}"
