"""The schemas of the OpenAPI document: all answers, rows and briefs, with units and examples."""

from __future__ import annotations

from typing import Any

from optimizer.intake.settling.load_options import LONGEST_REASON
from optimizer.plant.brief import Brief
from optimizer.plant.mass import MASSES

Doc = dict[str, Any]


def number(what: str, **more: Any) -> Doc:
    """The schema of a number or null, with what it means."""
    return {"type": ["number", "null"], "description": what, **more}


def object_of(properties: Doc, required: list[str] | None = None, **more: Any) -> Doc:
    """The schema of an object with these properties, all required unless some are named."""
    needed = list(properties) if required is None else required
    return {"type": "object", "properties": properties, "required": needed, **more}


_TIME: Doc = {"type": "string", "description": "ISO 8601, UTC."}
INTERVAL = object_of(
    {
        "mean": number("Expected true value, a fraction."),
        "low": number("Lower end of the 90 % interval of the true value, a fraction."),
        "high": number("Upper end of the 90 % interval of the true value, a fraction."),
    }
)
SETTINGS: Doc = {
    "type": "object",
    "additionalProperties": {"type": "number"},
    "description": "Each in the unit that the site declares: feed_rate (t/h), end_raise (deg), "
    "side_tilt (deg), eccentric_speed (rpm), air (turn or %) unless it says otherwise. Where a "
    "setting has gates, air_1 is the one at the feed end; what is sent may state air for all.",
    "examples": [
        {"feed_rate": 2.8, "end_raise": 2.4, "side_tilt": 2.0, "eccentric_speed": 450, "air": 37}
    ],
}
_TALLY = {
    name: {"type": "integer", "minimum": 0, "description": text}
    for name, text in {
        "read": "Rows read.",
        "added": "Runs added; a row makes one, except for readings over time.",
        "already_known": "Rows of runs that the history already has.",
        "rejected": "Rows rejected.",
    }.items()
}
_READINGS: Doc = {
    "readings": {
        "type": "integer",
        "minimum": 0,
        "description": "Rows of the added runs, where rows are readings over time.",
    }
}
_REJECT = object_of(
    {
        "file": {"type": "string"},
        "row": {"type": "integer", "description": "Line of the row; 0 for the file as a whole."},
        "field": {"type": "string"},
        "value": {"type": "string", "description": "The cell, up to its first 100 characters."},
        "reason": {"type": "string", "description": "What is wrong, and what was expected."},
    }
)
_QUESTION = object_of(
    {
        "file": {"type": "string"},
        "row": {"type": "integer", "description": "Line of the row; 0 for the file as a whole."},
        "run_id": {"type": ["string", "null"], "description": "Null for the file as a whole."},
        "field": {"type": "string"},
        "value": {"type": "string", "description": "In the unit of the site; a time in UTC."},
        "why": {"type": "string", "description": "Why the value is hard to believe."},
    }
)
_FILE = object_of({"file": {"type": "string"}, **_TALLY, **_READINGS}, ["file", *_TALLY])
_LOAD_NEEDS = ["schema", *_TALLY, "files", "rejects_file", "rejects", "warnings", "version"]
SCHEMAS: dict[str, Doc] = {
    "Load": object_of(
        {
            "schema": {"const": "highside.load/1"},
            **_TALLY,
            **_READINGS,
            "files": {"type": "array", "items": _FILE},
            "rejects_file": {"type": ["string", "null"]},
            "rejects": {"type": "array", "items": _REJECT, "description": "The first 1000."},
            "warnings": {"type": "array", "items": {"type": "string"}},
            "version": {
                "type": ["integer", "null"],
                "description": "Version of the history after the load.",
            },
            "questions": {
                "type": "array",
                "items": _QUESTION,
                "description": "Values that are possible but hard to believe, which are stored: "
                "the first 1000.",
            },
            "questions_total": {
                "type": "integer",
                "description": "Number of all questions, where more than 1000 are asked.",
            },
        },
        [*_LOAD_NEEDS, "questions"],
    ),
    "History": object_of(
        {
            "schema": {"const": "highside.history/1"},
            "version": {"type": ["integer", "null"]},
            "runs": {"type": "integer", "minimum": 0},
            "lines": {
                "type": "array",
                "items": object_of(
                    {
                        "line": {"type": "string"},
                        "runs": {"type": "integer"},
                        "set_points": {"type": "integer"},
                        "first": {"type": ["string", "null"], "description": "ISO 8601, UTC."},
                        "last": {"type": ["string", "null"], "description": "ISO 8601, UTC."},
                    }
                ),
            },
            "warnings": {
                "type": "array",
                "items": {"type": "string"},
                "description": "Names runs that are read without the time stored with them.",
            },
        },
        ["schema", "version", "runs", "lines"],
    ),
    "Plan": object_of(
        {
            "schema": {"const": "highside.plan/1"},
            "line": {"type": ["string", "null"]},
            "material": {"type": "object"},
            "seed": {"type": "integer"},
            "history_version": {"type": ["integer", "null"]},
            "runs_used": {"type": "integer"},
            "set_points": {"type": "integer"},
            "goal": object_of(
                {
                    "maximise": {"enum": ["recovery", "value", "trade-off"]},
                    "min_grade": number("Grade to reach, a fraction."),
                    "confidence": {"type": "number"},
                }
            ),
            "brief": {
                "type": "object",
                "description": "The brief as it was given; defaults are left out.",
            },
            "units": {"type": "object", "additionalProperties": {"type": "string"}},
            "material_units": {"type": "object", "additionalProperties": {"type": "string"}},
            "mass_unit": {"enum": list(MASSES)},
            "sampling": {
                "type": ["object", "null"],
                "description": "How many particles to count for a grade, and why.",
            },
            "run_now": {
                "oneOf": [
                    {"type": "null"},
                    object_of(
                        {
                            "settings": SETTINGS,
                            "grade": INTERVAL,
                            "recovery": INTERVAL,
                            "chance_of_grade": number("From 0 to 1."),
                            "product_t_per_h": number("t/h."),
                            "product_rate": number("The same, in mass_unit per hour."),
                            "tried": {"type": "boolean"},
                        }
                    ),
                ]
            },
            "recommendations": {
                "type": "array",
                "items": object_of(
                    {
                        "rank": {"type": "integer", "minimum": 1},
                        "settings": SETTINGS,
                        "grade": INTERVAL,
                        "recovery": INTERVAL,
                        "chance_of_grade": number("From 0 to 1."),
                        "expected_gain": number("Expected gain in recovery, a fraction."),
                        "material_t": number("Feed the trial consumes, t."),
                        "material_mass": number("The same, in mass_unit."),
                        "minutes": number("Time the trial takes, min."),
                        "changes": {"type": "array"},
                        "why": {"type": "string"},
                        "watch": {"type": "string"},
                    }
                ),
            },
            "drift": {
                "oneOf": [
                    {"type": "null", "description": "No run of the line has a time."},
                    object_of(
                        {
                            "grade_per_week": INTERVAL,
                            "recovery_per_week": INTERVAL,
                            "worth_saying": {"type": "boolean"},
                            "says": {"type": "string"},
                        }
                    ),
                ]
            },
            "stopping": object_of(
                {
                    "advice": {"enum": ["continue", "stop"]},
                    "expected_gain": number("A fraction."),
                    "why": {"type": "string"},
                }
            ),
            "warnings": {"type": "array", "items": {"type": "string"}},
        }
    ),
    "Comparison": object_of(
        {
            "schema": {"const": "highside.comparison/1"},
            "basis": {
                "type": "object",
                "description": "Material, feed rate and grade that all lines are compared at.",
            },
            "lines": {
                "type": "array",
                "items": {
                    "type": "object",
                    "properties": {
                        "line": {"type": "string"},
                        "rank": {"type": "integer"},
                        "attainable": {
                            "type": "object",
                            "description": "What the line could reach at "
                            "settings sure enough of the grade; where no settings are, "
                            "sure is false, recovery and settings are null, and "
                            "chance_of_grade is the highest there is.",
                        },
                        "gap": {
                            "description": "Null where no settings are sure enough.",
                            "oneOf": [{"type": "null"}, INTERVAL],
                        },
                        "causes": {
                            "type": "array",
                            "description": "Settings to change, the most valuable change first.",
                        },
                    },
                },
            },
        }
    ),
    "Job": object_of(
        {
            "schema": {"const": "highside.job/1"},
            "id": {"type": "string"},
            "state": {"enum": ["waiting", "running", "done", "failed", "lost", "cancelled"]},
            "kind": {"type": "string"},
            "line": {"type": ["string", "null"], "description": "Line of the brief."},
            "asked_by": {"type": ["string", "null"], "description": "The name of the token."},
            "asked_at": _TIME,
            "began_at": _TIME,
            "ended_at": _TIME,
            "cancelled_by": {"type": "string", "description": "The name of the token."},
            "stages": {
                "type": ["integer", "null"],
                "description": "Largest number of entries that progress can get.",
            },
            "progress": {"type": "array", "items": {"type": "string"}},
            "result": {
                "type": "string",
                "description": "Address of the answer, once the job is done.",
            },
            "problem": {"$ref": "#/components/schemas/Problem"},
        },
        ["schema", "id", "state", "kind", "progress"],
    ),
    "Health": object_of(
        {
            "schema": {"const": "highside.health/1"},
            "status": {"const": "ok"},
            "version": {"type": "string"},
        }
    ),
    "Problem": object_of(
        {
            "type": {"type": "string", "examples": ["urn:highside:problem:token-needed"]},
            "title": {"type": "string"},
            "status": {"type": "integer"},
            "detail": {"type": "string", "description": "What was wrong, and what was expected."},
            "code": {"type": "string"},
            "hint": {"type": "string", "description": "What to do next."},
        },
        ["type", "title", "status", "detail", "code"],
        description="RFC 9457.",
    ),
}
MIDDLINGS = object_of(
    {"share": INTERVAL, "grade": INTERVAL},
    ["share"],
    description="Middlings kept as a product, where runs tell of them: share of the feed.",
)
"""The schema of what to expect of middlings."""
_OF_PLAN = SCHEMAS["Plan"]["properties"]
for _settings in (_OF_PLAN["run_now"]["oneOf"][1], _OF_PLAN["recommendations"]["items"]):
    _settings["properties"]["middlings"] = MIDDLINGS
_REASON: Doc = {
    "type": "string", "minLength": 1, "maxLength": LONGEST_REASON,
    "description": "Why; it is kept with the change.",
}  # fmt: skip
_LINE: Doc = {"type": "string", "description": "Line of the run, where several have its id."}
_VALUES: Doc = {"type": "object", "additionalProperties": {"type": ["string", "number", "null"]}}
SCHEMAS["Changes"] = object_of(
    {
        "schema": {"const": "highside.changes/1"},
        "changes": {
            "type": "array",
            "description": "Oldest first.",
            "items": object_of(
                {
                    "at": {"type": "string", "description": "ISO 8601, UTC."},
                    "by": {"type": ["string", "null"]},
                    "run_id": {"type": "string"},
                    "line": {"type": "string"},
                    "what": {"enum": ["corrected", "withdrawn", "reinstated"]},
                    "reason": {"type": "string"},
                    "before": {
                        "type": "object",
                        "description": "The changed values before, in the site's units; the whole "
                        "run for a withdrawal.",
                    },
                    "after": {
                        "type": "object",
                        "description": "The changed values after, in the site's units; the whole "
                        "run for a reinstatement.",
                    },
                    "version": {"type": "integer", "description": "Version that it made."},
                }
            ),
        },
    }
)
SCHEMAS["Correction"] = {
    "type": "object",
    "required": ["reason"],
    "properties": {
        "reason": _REASON,
        "line": _LINE,
        "withdrawn": {"const": False, "description": "Takes a withdrawn run back."},
        "settings": _VALUES,
    },
    "description": "Further keys are the columns of a log, each with its new value; null empties a "
    "column. Settings may stand under `settings`, variables of the material under `material`. "
    "What is not given stays.",
}
SCHEMAS["Withdrawal"] = object_of({"reason": _REASON, "line": _LINE}, [])
ROW_EXAMPLE = {
    "line": "deck-1", "started_at": "2026-03-02T06:30:00Z", "feed_rate": 2.8, "end_raise": 2.4,
    "side_tilt": 2.0, "eccentric_speed": 450, "air": 37, "grade": 0.987, "recovery": 0.931,
    "grade_count": 400,
}  # fmt: skip
SCHEMAS["Row"] = {
    "type": "object",
    "minProperties": 1,
    "additionalProperties": {"type": ["string", "number", "null"]},
    "description": "Keys are the columns of a log, with a unit in brackets where it is not the "
    "site's (`feed_rate [kg/h]`). Settings are in the site's units, grade and recovery fractions "
    "(or with a % sign), `started_at` is ISO 8601 from 1950 to a day ahead of the clock, and a "
    "text has up to 2,000 characters.",
    "examples": [ROW_EXAMPLE],
}


def _brief_schema() -> dict[str, Doc]:
    """The schemas of the brief, with references changed to the place for schemas in OpenAPI."""
    found = Brief.model_json_schema(ref_template="#/components/schemas/{model}")
    inner = found.pop("$defs")
    found["properties"]["material"]["description"] = (
        "Today's values in the site's units, or texts with a unit of their own: \"95.5%\". A "
        "property that varies over the shift has a range."
    )
    found["properties"]["pending"]["description"] = "Trials started and not yet measured."
    found["properties"]["current"]["description"] = "Settings on the deck now, in site units."
    units = {
        ("Capacity", name): "In the unit of the site's feed rate."
        for name in inner["Capacity"]["properties"]
    }
    units |= {
        ("Goal", "min_grade"): 'Grade to reach, a share: 0.985 or "98.5%".',
        ("Goal", "confidence"): 'Confidence in the grade, a share: 0.9 or "90%".',
        ("Trials", "count"): "How many trials.",
        ("Trials", "material_available"): "For the whole batch, in the site's unit of mass.",
        ("Trials", "minutes_available"): "For the whole batch, min.",
        ("Trials", "settle_minutes"): "Before sampling, of each trial, min.",
        ("Trials", "sample_minutes"): "Of each trial, min.",
    }
    for (model, name), text in units.items():
        inner[model]["properties"][name]["description"] = text
    return {"Brief": found, **inner}


SCHEMAS |= _brief_schema()
