"""The schema of a look for the OpenAPI document."""

from __future__ import annotations

from optimizer.plant.run_columns import DECK_STATES
from optimizer.service.api.batch_schemas import CAMPAIGN_TRIAL
from optimizer.service.api.schemas import INTERVAL, SETTINGS, Doc, number, object_of

_TEXT = {"type": "string"}
_TEXT_OR_NULL = {"type": ["string", "null"]}
_TIME_OR_NULL = {"type": ["string", "null"], "description": "ISO 8601, UTC."}
_CLOCK = {"type": ["string", "null"], "description": "As the clock of the plant showed it."}
_COUNT = {"type": "integer", "minimum": 0}


def _or_null(schema: Doc) -> Doc:
    return {"oneOf": [{"type": "null"}, schema]}


def _list_of(schema: Doc, text: str) -> Doc:
    return {"type": "array", "items": schema, "description": text}


def _columns(text: str) -> Doc:
    column = {"type": "array", "items": number("A fraction.")}
    return object_of({"mean": column, "low": column, "high": column}, description=text)


_PAIR = {"grade": number("A fraction."), "recovery": number("A fraction.")}
_LEVELS = {"type": "array", "items": {"type": "number"}, "description": "In the setting's unit."}
_GRID = {"type": "array", "items": {"type": "array", "items": {"type": "number"}},
         "description": "A row for each level of `y`, a column for each level of `x`."}  # fmt: skip
_RUN = object_of(
    {
        "run_id": _TEXT,
        "started_at": _TIME_OR_NULL,
        "clock": _CLOCK,
        "state": {"enum": list(DECK_STATES)},
        **_PAIR,
        "settings": {"type": "object", "additionalProperties": {"type": ["number", "null"]}},
        "expected": {"description": "What all other runs say of it; null where that is not known.",
                     "oneOf": [{"type": "null"}, object_of(_PAIR)]},
        "residual": {"description": "Read minus expected.",
                     "oneOf": [{"type": "null"}, object_of(_PAIR)]},
        "doubt": {"type": ["string", "null"], "description": "Why the run is doubtful."},
    }
)  # fmt: skip
_EFFECT = object_of(
    {
        "setting": _TEXT,
        "unit": _TEXT,
        "now": {"type": "number", "description": "The value to run now."},
        "low": {"type": "number", "description": "Lowest value that today's limits allow."},
        "high": {"type": "number", "description": "Highest value that today's limits allow."},
        "levels": _LEVELS,
        "grade": _columns("Expected grade with its 90 % interval, one entry a level."),
        "recovery": _columns("Expected recovery with its 90 % interval, one entry a level."),
        "chance_of_grade": {"type": "array", "items": {"type": "number"}},
        "chance_even": {"type": "array", "items": {"type": "number"}},
    }
)
_MAP = object_of(
    {
        "x": _TEXT,
        "y": _TEXT,
        "x_levels": _LEVELS,
        "y_levels": _LEVELS,
        "chance_of_grade": _GRID,
        "chance_even": _GRID,
        "recovery": _GRID,
    }
)
_BATCH = object_of(
    {
        "batch": _TEXT,
        "issued_at": {"type": "string", "description": "ISO 8601, UTC."},
        "closed_at": _TIME_OR_NULL,
        "min_grade": number("Grade that the batch was to reach, a fraction."),
        "best_so_far": {
            "description": "Highest recovery read so far among the trials that met the grade.",
            "oneOf": [{"type": "null"}, object_of({"trial": _TEXT, **_PAIR})],
        },
        "surprise": object_of(
            {name: number("Root mean square of the surprises, about 1.") for name in _PAIR}
        ),
        "trials": {"type": "array", "items": CAMPAIGN_TRIAL},
    }
)
_HAPPENING = object_of(
    {
        "at": {"type": "string", "description": "ISO 8601, UTC."},
        "clock": _CLOCK,
        "what": {"enum": ["issued", "closed", "corrected", "withdrawn", "reinstated", "loaded",
                          "restored"]},
        "said": _TEXT,
        "run_id": _TEXT_OR_NULL,
        "batch": _TEXT_OR_NULL,
        "version": {"type": ["integer", "null"]},
    }
)  # fmt: skip
_SHARE = dict.fromkeys(("grade", "recovery"), INTERVAL)
_LEVEL = object_of({"nominal": {"type": "number", "description": "What it claims."}, **_SHARE})
_BIN = object_of(
    {
        "stated": number("Mean stated chance."),
        "observed": number("Share that came true."),
        "low": number("Lower end of its 90 % interval."),
        "high": number("Upper end of its 90 % interval."),
        "n": _COUNT,
    }
)
LOOK_SCHEMAS: dict[str, Doc] = {
    "Look": object_of(
        {
            "schema": {"const": "highside.look/1"},
            "line": _TEXT_OR_NULL,
            "history_version": {"type": ["integer", "null"]},
            "seed": {"type": "integer"},
            "material": {"type": "object"},
            "goal": {"type": "object", "description": "As in the plan."},
            "run_now": {"description": "As in the plan.", "type": ["object", "null"]},
            "warnings": {"type": "array", "items": _TEXT},
            "time_zone": _TEXT,
            "settings": _list_of({"type": "object"}, "Each with unit and today's limits."),
            "trials": _list_of(
                object_of(
                    {
                        "rank": _COUNT,
                        "order": _COUNT,
                        "settings": SETTINGS,
                        "grade": INTERVAL,
                        "recovery": INTERVAL,
                        "chance_of_grade": number("From 0 to 1."),
                        "expected_gain": number("As in the plan."),
                    }
                ),
                "The next trials of the plan.",
            ),
            "known_runs": _COUNT,
            "runs": _list_of(_RUN, "The newest 1500, and all doubtful ones."),
            "effects": _list_of(_EFFECT, "One for each setting, through the settings to run now."),
            "map": {"description": "Null where no grade is asked for or nothing is expected yet.",
                    "oneOf": [{"type": "null"}, _MAP]},
            "known_batches": _COUNT,
            "campaign": _list_of(_BATCH, "The newest 40 batches, in the order of their issue."),
            "drift": _list_of({"type": "object"}, "As in `highside diagnose --json`."),
            "known_happenings": _COUNT,
            "happenings": _list_of(_HAPPENING, "The newest 300, oldest first."),
            "calibration": _or_null(
                object_of(
                    {
                        "set_points": _COUNT,
                        "levels": _list_of(_LEVEL, "Share of readings inside their intervals."),
                        "chance_of_grade": object_of(
                            {"bins": {"type": "array", "items": _BIN}, "gap": number("Mean gap.")}
                        ),
                    }
                )
            ),
        }
    )
}  # fmt: skip
