"""The schema of a diagnosis for the OpenAPI document."""

from __future__ import annotations

from optimizer.service.api.schemas import Doc, number, object_of

_OBJECTS: Doc = {"type": "array", "items": {"type": "object"}}
_LINE: Doc = {"type": ["string", "null"]}
_SD: Doc = object_of({
    name: number(f"Standard deviation {of}, a fraction.")
    for name, of in {
        "sampling_sd": "from the sample", "process_sd": "from the deck", "reading_sd": "in all",
    }.items()
})  # fmt: skip
DIAGNOSIS_SCHEMAS: dict[str, Doc] = {
    "Diagnosis": object_of(
        {
            "schema": {"const": "highside.diagnosis/1"},
            "seed": {"type": "integer"},
            "history_version": {"type": ["integer", "null"]},
            "coverage": object_of(
                {
                    "nominal": {"type": "number"},
                    "grade": number("Share of left-out readings that their interval held."),
                    "recovery": number("Share of left-out readings that their interval held."),
                }
            ),
            "calibration": {"type": "object"},
            "noise": object_of({"unit": {"const": "fraction"}, "grade": _SD, "recovery": _SD}),
            "sensitivity": {
                "type": "array",
                "items": object_of(
                    {
                        "line": _LINE,
                        "setting": {"type": "string"},
                        "grade": number("Share of the variance of grade, over the range tried."),
                        "recovery": number("Share of the variance of recovery."),
                        "in_words": {"type": "string"},
                    }
                ),
            },
            "pairs": {**_OBJECTS, "description": "What two settings do only together."},
            "drift": {
                "type": "array",
                "items": object_of(
                    {
                        "line": _LINE,
                        "quantity": {"enum": ["grade", "recovery"]},
                        "per_day": number("A fraction a day."),
                        "p_value": number("From 0 to 1."),
                    }
                ),
            },
            "unlogged": {
                "type": "array",
                "description": "What varies by day or by lot beyond settings and material.",
                "items": object_of(
                    {
                        "line": _LINE,
                        "by": {"enum": ["day", "lot"]},
                        "grade_sd": number("A fraction."),
                        "recovery_sd": number("A fraction."),
                        "p_value": number("From 0 to 1."),
                        "says": {"type": "string"},
                    }
                ),
            },
            "doubtful": {
                "type": "array",
                "description": "Runs that disagree with all others; nothing was removed.",
                "items": object_of(
                    {"run_id": {"type": "string"}, "reason": {"type": "string"}, "line": _LINE}
                ),
            },
            "lines": {**_OBJECTS, "description": "What is said of each line."},
            "skipped": {
                "type": "array",
                "description": "Lines with too few runs.",
                "items": object_of({"line": _LINE, "reason": {"type": "string"}}),
            },
        }
    )
}
