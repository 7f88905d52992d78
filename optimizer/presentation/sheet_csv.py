"""The trial sheet as a log to fill in: one row a trial, ready for ``record --from``.

Settings and the line stand there; time, readings, the deck's state and the material are left
empty: what the plan assumed of the material is no reading. A row that stays empty is a trial not
run yet, and is left out when the sheet is read back.
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

# To fill in; a reading written as 98.7 under a heading in per cent is what people write.
BLANK = ("grade [%]", "recovery [%]", "grade_count", "deck_state", "note")
DIGITS = 8


def sheet_csv(plan: Mapping[str, Any]) -> str:
    """The batch of a ``highside.plan/1`` document, in the order it is run.

    Each row has a run id of its own: reading a sheet back twice, the second time with more of it
    filled in, adds each trial once.
    """
    mark = _mark(plan)
    rows = [
        {
            "run_id": f"{mark}-{trial['order']}",
            "line": plan["line"] or "",
            "started_at": "",
            **dict.fromkeys(plan["material"], ""),
            **{with_unit(name, plan["units"][name]): v for name, v in trial["settings"].items()},
            **dict.fromkeys(BLANK, ""),
        }
        for trial in by_order(plan)
    ]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(map(harmless, rows[0]))
    writer.writerows([harmless(cell) for cell in row.values()] for row in rows)
    return text.getvalue()


def _mark(plan: Mapping[str, Any]) -> str:
    """A short name of this plan: another history, brief or seed gives another."""
    essence = [plan["history_version"], plan["line"], plan["material"], plan["seed"]]
    essence += [[t["settings"] for t in by_order(plan)]]
    digest = hashlib.sha256(json.dumps(essence, sort_keys=True).encode()).hexdigest()
    return f"trial-{digest[:DIGITS]}"
