"""The schema of what to expect at chosen settings, for the OpenAPI document."""

from __future__ import annotations

from optimizer.service.api.schemas import INTERVAL, MIDDLINGS, SETTINGS, Doc, number, object_of

EXPECTED_SCHEMAS: dict[str, Doc] = {"Expected": object_of(
    {
        "schema": {"const": "highside.expected/1"},
        "line": {"type": ["string", "null"]},
        "history_version": {"type": ["integer", "null"]},
        "runs_used": {"type": "integer", "minimum": 0},
        "settings": SETTINGS,
        "units": {"type": "object", "additionalProperties": {"type": "string"}},
        "material": {"type": "object", "description": "Today's material, as a plan takes it."},
        "over": {
            "type": "object",
            "description": "Ends of each property that varies over the shift; absent where none "
            "does. The figures are those of the product of the whole shift.",
        },
        "min_grade": number("Grade to reach, a fraction."),
        "grade": INTERVAL,
        "recovery": INTERVAL,
        "chance_of_grade": number(
            "From 0 to 1, as for a trial of a plan. That of run_now is lower at the same settings, "
            "since it allows for their being picked as the best of thousands."
        ),
        "chance_even": number("Chance that the deck runs even, from 0 to 1."),
        "product_t_per_h": number("t/h; null where feed rate is no setting."),
        "middlings": MIDDLINGS,
        "nearest_run": {
            "description": "Null where the line has no measured run.",
            "oneOf": [
                {"type": "null"},
                object_of(
                    {
                        "settings": SETTINGS,
                        "differs": {
                            "type": "object",
                            "additionalProperties": {"type": "number"},
                            "description": "By how much the settings asked for differ, in their "
                            "units; those that are alike are left out.",
                        },
                    }
                ),
            ],
        },
        "warnings": {"type": "array", "items": {"type": "string"}},
    },
    ["schema", "line", "settings", "material", "grade", "recovery", "chance_of_grade",
     "chance_even", "product_t_per_h", "nearest_run", "warnings"],
)}  # fmt: skip
