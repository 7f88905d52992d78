"""The schemas of issued batches for the OpenAPI document."""

from __future__ import annotations

from optimizer.plant.run_columns import DECK_STATES, OF_MIDDLINGS
from optimizer.service.api.schemas import INTERVAL, SETTINGS, Doc, number, object_of
from optimizer.service.recording.batch_recorder import STATES

_TIME = {"type": "string", "description": "ISO 8601, UTC."}
_TIME_OR_NULL = {"type": ["string", "null"], "description": "ISO 8601, UTC."}
_TEXT = {"type": "string"}


def _or_null(schema: Doc) -> Doc:
    return {"oneOf": [{"type": "null"}, schema]}


_PAIR = {"grade": INTERVAL, "recovery": INTERVAL}
_TRIAL = object_of(
    {
        "trial": {"type": "string", "description": "Its number.", "examples": ["deck-1-7.2"]},
        "order": {"type": "integer", "minimum": 1, "description": "The order to run them in."},
        "rank": {"type": "integer", "minimum": 1, "description": "Rank by worth."},
        "state": {"enum": ["to run", "running", "done", "failed", "skipped"]},
        "planned": SETTINGS,
        "run": _or_null(SETTINGS),
        "run_id": {"type": ["string", "null"]},
        "expected": object_of(_PAIR),
        "measured": _or_null(
            object_of({
                "grade": number("A fraction."), "grade_se": number("Its standard error."),
                "recovery": number("A fraction."), "recovery_se": number("Its standard error."),
                **{name: number("Where it was read, a fraction.") for name in OF_MIDDLINGS},
            }, ["grade", "grade_se", "recovery", "recovery_se"])
        ),
        "surprise": _or_null(
            object_of({
                name: number("Measured minus expected, over the standard deviation of the two.")
                for name in _PAIR
            })
        ),
    }
)  # fmt: skip
_TRIAL["properties"]["reason"] = {"type": "string", "description": "Why it was skipped."}
CAMPAIGN_TRIAL = object_of(
    {
        name: schema
        for name, schema in _TRIAL["properties"].items()
        if name not in ("rank", "planned", "run", "reason")
    }
)
"""The schema of a trial of a look: one of a batch without its settings."""
_BATCH = object_of(
    {
        "schema": {"const": "highside.batch/1"},
        "batch": {"type": "string", "examples": ["deck-1-7"]},
        "line": _TEXT,
        "issued_at": _TIME,
        "issued_by": {"type": ["string", "null"], "description": "The name of the token."},
        "closed_at": _TIME_OR_NULL,
        "history_version": {"type": ["integer", "null"], "description": "That of the plan."},
        "brief": {"$ref": "#/components/schemas/Brief"},
        "plan": {"$ref": "#/components/schemas/Plan"},
        "trials": {"type": "array", "items": _TRIAL},
    }
)
_BY_NAME = {
    "type": ["object", "null"], "additionalProperties": {"type": ["string", "number", "null"]}
}  # fmt: skip
_SHARE = {"type": ["string", "number", "null"], "description": "A share: 0.987 or 98.7%."}
BATCH_SCHEMAS: dict[str, Doc] = {
    "Batch": _BATCH,
    "Batches": object_of(
        {
            "schema": {"const": "highside.batches/1"},
            "batches": {"type": "array", "items": {"$ref": "#/components/schemas/Batch"}},
            "taught": {"type": "array", "description": "What each finished batch taught."},
        },
        ["schema", "batches"],
    ),
    "TrialResult": object_of(
        {
            "grade": _SHARE,
            "grade_se": _SHARE,
            "recovery": _SHARE,
            "recovery_se": _SHARE,
            "grade_count": {"type": ["string", "integer", "null"], "description": "Counted."},
            **dict.fromkeys(OF_MIDDLINGS, _SHARE),
            "settings": {**_BY_NAME, "description": "As run, where they differ from the plan."},
            "material": {**_BY_NAME, "description": "As measured; what is left out is not kept."},
            "started_at": {
                "type": ["string", "null"],
                "description": "ISO 8601; the present time when left out.",
            },
            "deck_state": {"enum": [*DECK_STATES, None]},
            "note": {"type": ["string", "null"]},
            "sure": {"type": "boolean", "description": "Whether a surprising value is meant."},
        },
        [],
        additionalProperties=False,
    ),
    "TrialChange": object_of(
        {
            "state": {"enum": list(STATES)},
            "reason": {"type": ["string", "null"], "description": "Needed where it is skipped."},
        },
        ["state"],
        additionalProperties=False,
    ),
    "Closing": object_of({"closed": {"const": True}}, additionalProperties=False),
}
