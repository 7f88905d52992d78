"""What the OpenAPI document says beyond what the code declares: schemas, units, examples."""

from __future__ import annotations

from typing import Any

from optimizer.plant.brief import Brief
from optimizer.service.problems import MEDIA_TYPE as PROBLEM

Doc = dict[str, Any]

PAGE_POLICY = "; ".join(
    (
        "default-src 'none'",
        "style-src 'unsafe-inline'",  # a report is one file; it runs no script at all
        "img-src data:",
        "font-src data:",
        "form-action 'none'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)


def policy_of(kind: str) -> dict[str, str]:
    """The content-security policy of a kind of answer, where it is not that of all."""
    inline = kind in ("report", "sheet.html")
    return {"Content-Security-Policy": PAGE_POLICY} if inline else {}


def _number(what: str, **more: Any) -> Doc:
    return {"type": ["number", "null"], "description": what, **more}


def _object(properties: Doc, required: list[str] | None = None, **more: Any) -> Doc:
    needed = list(properties) if required is None else required
    return {"type": "object", "properties": properties, "required": needed, **more}


INTERVAL = _object(
    {
        "mean": _number("Expected true value, a fraction."),
        "low": _number("Lower end of the 90 % interval of the true value, a fraction."),
        "high": _number("Upper end of the 90 % interval of the true value, a fraction."),
    }
)
SETTINGS: Doc = {
    "type": "object",
    "additionalProperties": {"type": "number"},
    "description": "Each in the unit that the site declares: feed_rate (t/h), end_raise (deg), "
    "side_tilt (deg), eccentric_speed (rpm), air (turn or %) unless it says otherwise.",
    "examples": [
        {"feed_rate": 2.8, "end_raise": 2.4, "side_tilt": 2.0, "eccentric_speed": 450, "air": 37}
    ],
}
_TALLY = {
    name: {"type": "integer", "minimum": 0, "description": text}
    for name, text in {
        "read": "Rows read.",
        "added": "Rows that became runs.",
        "already_known": "Rows of runs that the history has.",
        "rejected": "Rows rejected.",
    }.items()
}
_REJECT = _object(
    {
        "file": {"type": "string"},
        "row": {"type": "integer", "description": "Line of the row; 0 for the file as a whole."},
        "field": {"type": "string"},
        "value": {"type": "string", "description": "The cell, up to its first 100 characters."},
        "reason": {"type": "string", "description": "What is wrong, and what was expected."},
    }
)
_SCHEMA = {"type": "string"}
SCHEMAS: dict[str, Doc] = {
    "Load": _object(
        {
            "schema": {"const": "highside.load/1"},
            **_TALLY,
            "files": {"type": "array", "items": _object({"file": {"type": "string"}, **_TALLY})},
            "rejects_file": {"type": ["string", "null"]},
            "rejects": {"type": "array", "items": _REJECT, "description": "The first 1000."},
            "warnings": {"type": "array", "items": {"type": "string"}},
            "version": {"type": ["integer", "null"], "description": "Of the history, after it."},
        }
    ),
    "History": _object(
        {
            "schema": {"const": "highside.history/1"},
            "version": {"type": ["integer", "null"]},
            "runs": {"type": "integer", "minimum": 0},
            "lines": {
                "type": "array",
                "items": _object(
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
    "Plan": _object(
        {
            "schema": {"const": "highside.plan/1"},
            "line": {"type": ["string", "null"]},
            "material": {"type": "object"},
            "seed": {"type": "integer"},
            "history_version": {"type": ["integer", "null"]},
            "runs_used": {"type": "integer"},
            "set_points": {"type": "integer"},
            "goal": _object(
                {
                    "maximise": {"enum": ["recovery", "value", "trade-off"]},
                    "min_grade": _number("Grade to reach, a fraction."),
                    "confidence": {"type": "number"},
                }
            ),
            "brief": {"type": "object", "description": "What was asked; defaults are left out."},
            "units": {"type": "object", "additionalProperties": {"type": "string"}},
            "run_now": {
                "oneOf": [
                    {"type": "null"},
                    _object(
                        {
                            "settings": SETTINGS,
                            "grade": INTERVAL,
                            "recovery": INTERVAL,
                            "chance_of_grade": _number("From 0 to 1."),
                            "product_t_per_h": _number("t/h."),
                            "tried": {"type": "boolean"},
                        }
                    ),
                ]
            },
            "recommendations": {
                "type": "array",
                "items": _object(
                    {
                        "rank": {"type": "integer", "minimum": 1},
                        "settings": SETTINGS,
                        "grade": INTERVAL,
                        "recovery": INTERVAL,
                        "chance_of_grade": _number("From 0 to 1."),
                        "expected_gain": _number("Recovery it is expected to add, a fraction."),
                        "material_t": _number("Feed the trial consumes, t."),
                        "minutes": _number("Time the trial takes, min."),
                        "changes": {"type": "array"},
                        "why": {"type": "string"},
                        "watch": {"type": "string"},
                    }
                ),
            },
            "stopping": _object(
                {
                    "advice": {"enum": ["continue", "stop"]},
                    "expected_gain": _number("A fraction."),
                    "why": {"type": "string"},
                }
            ),
            "warnings": {"type": "array", "items": {"type": "string"}},
        }
    ),
    "Comparison": _object(
        {
            "schema": {"const": "highside.comparison/1"},
            "basis": {"type": "object", "description": "What all lines are judged on."},
            "lines": {
                "type": "array",
                "items": {
                    "type": "object",
                    "properties": {
                        "line": {"type": "string"},
                        "rank": {"type": "integer"},
                        "attainable": {
                            "type": "object",
                            "description": "What it could reach at "
                            "settings sure enough of the grade; where there are none, "
                            "sure is false, recovery and settings are null, and "
                            "chance_of_grade is the highest there is.",
                        },
                        "gap": {
                            "description": "Null where no settings are sure enough.",
                            "oneOf": [{"type": "null"}, INTERVAL],
                        },
                        "causes": {
                            "type": "array",
                            "description": "Settings that move, the most worth first.",
                        },
                    },
                },
            },
        }
    ),
    "Job": _object(
        {
            "schema": {"const": "highside.job/1"},
            "id": {"type": "string"},
            "state": {"enum": ["waiting", "running", "done", "failed", "lost"]},
            "kind": {"type": "string"},
            "progress": {"type": "array", "items": {"type": "string"}},
            "result": {"type": "string", "description": "Where the answer is, when done."},
            "problem": {"$ref": "#/components/schemas/Problem"},
        },
        ["schema", "id", "state", "kind", "progress"],
    ),
    "Health": _object(
        {
            "schema": {"const": "highside.health/1"},
            "status": {"const": "ok"},
            "version": {"type": "string"},
        }
    ),
    "Problem": _object(
        {
            "type": {"type": "string", "examples": ["urn:highside:problem:token-needed"]},
            "title": {"type": "string"},
            "status": {"type": "integer"},
            "detail": {"type": "string", "description": "What was wrong, what was expected."},
            "code": {"type": "string"},
            "hint": {"type": "string", "description": "What to do next."},
        },
        ["type", "title", "status", "detail", "code"],
        description="RFC 9457.",
    ),
}
_ROW_EXAMPLE = {
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
    "examples": [_ROW_EXAMPLE],
}


def _brief_schema() -> dict[str, Doc]:
    """The brief's own schemas, moved to where an OpenAPI document keeps them."""
    found = Brief.model_json_schema(ref_template="#/components/schemas/{model}")
    inner = found.pop("$defs")
    found["properties"]["material"]["description"] = (
        "Today's values in the site's units, or texts with a unit of their own: \"95.5%\"."
    )
    found["properties"]["pending"]["description"] = "Trials started and not yet measured."
    found["properties"]["current"]["description"] = "Settings on the deck now, in site units."
    units = {
        ("Capacity", name): "In the unit of the site's feed rate."
        for name in inner["Capacity"]["properties"]
    }
    units |= {
        ("Goal", "min_grade"): 'Grade to reach, a share: 0.985 or "98.5%".',
        ("Goal", "confidence"): 'How sure to be of it, a share: 0.9 or "90%".',
        ("Trials", "count"): "How many trials.",
        ("Trials", "material_available"): "For the whole batch, t.",
        ("Trials", "minutes_available"): "For the whole batch, min.",
        ("Trials", "settle_minutes"): "Before sampling, of each trial, min.",
        ("Trials", "sample_minutes"): "Of each trial, min.",
    }
    for (model, name), text in units.items():
        inner[model]["properties"][name]["description"] = text
    return {"Brief": found, **inner}


SCHEMAS |= _brief_schema()


def _answer(name: str, text: str, links: Doc | None = None) -> Doc:
    schema = {"$ref": f"#/components/schemas/{name}"}
    content = {"application/json": {"schema": schema}}
    return {"description": text, "content": content, **({"links": links} if links else {})}


def _link(path: str, method: str, parameter: str, member: str, text: str) -> Doc:
    """Where an answer leads: a member of it is a parameter of what is asked next."""
    operation = f"#/paths/{path.replace('/', '~1')}/{method}"
    leads = {parameter: f"$response.body#/{member}"}
    return {"operationRef": operation, "parameters": leads, "description": text}


_TO_JOB = {"job": _link("/v1/jobs/{job}", "get", "job", "id", "How far it has come.")}
_TO_RESULT = {"result": _link("/v1/results/{job}", "get", "job", "id", "What it made, once done.")}
_TO_PLAN = {"plan": _link("/v1/plans", "post", "as_of", "version", "A plan on what is there now.")}


def _refusals(*statuses: int) -> dict[int | str, Doc]:
    texts = {
        304: "It is what the asker has already.",
        400: "The body is not what it says.",
        401: "A token is needed.",
        403: "This token, or this sender, may not.",
        404: "There is none of that name.",
        413: "Larger than is read here.",
        414: "The address is too long.",
        415: "Of a kind that is not read here.",
        421: "Addressed to another host.",
        422: "Nothing can be done with it; the document says why.",
        429: "Too much at once; Retry-After says how long to wait.",
        503: "The history is damaged, locked or cannot be written; the document says which.",
    }
    schema = {"$ref": "#/components/schemas/Problem"}
    problem = {"content": {PROBLEM: {"schema": schema}}}
    return {
        status: {"description": texts[status], **({} if status == 304 else problem)}
        for status in statuses
    }


_ALL = (401, 403, 414, 421, 429, 503)
Responses = dict[int | str, Doc]
HEALTH: Responses = {200: _answer("Health", "It can."), **_refusals(503)}
METRICS: Responses = {
    200: {"description": "Prometheus text format 0.0.4.",
          "content": {"text/plain": {"schema": _SCHEMA}}},
    **_refusals(422, *_ALL),
}  # fmt: skip
HISTORY: Responses = {
    200: _answer("History", "As `highside history --json`."), **_refusals(304, 422, *_ALL)
}  # fmt: skip
LOAD: Responses = {
    200: _answer(
        "Load", "As `highside load --json`; runs and audit entry are on the disk.", _TO_PLAN
    ),
    **_refusals(400, 413, 415, 422, *_ALL),
}
PLAN: Responses = {
    200: _answer("Plan", "As `highside suggest --json`, byte for byte."),
    202: _answer("Job", "Under way; Location says where to ask.", _TO_JOB),
    **_refusals(400, 413, 415, 422, *_ALL),
}
REPORT: Responses = {
    200: {"description": "One self-contained page.", "content": {"text/html": {"schema": _SCHEMA}}},
    202: _answer("Job", "Under way; Location says where to ask.", _TO_JOB),
    **_refusals(304, 422, *_ALL),
}
_BINARY = {"schema": {"type": "string", "contentMediaType": "application/pdf"}}
SHEET: Responses = {
    200: {"description": "The sheet.",
          "content": {"application/pdf": _BINARY, "text/html": {"schema": _SCHEMA},
                      "text/csv": {"schema": _SCHEMA}}},
    202: _answer("Job", "Under way; Location says where to ask.", _TO_JOB),
    **_refusals(304, 422, *_ALL),
}  # fmt: skip
COMPARISON: Responses = {
    200: _answer("Comparison", "As `highside compare --json`."),
    202: _answer("Job", "Under way; Location says where to ask.", _TO_JOB),
    **_refusals(304, 422, *_ALL),
}
JOB: Responses = {
    200: _answer("Job", "How far it has come.", {**_TO_JOB, **_TO_RESULT}),
    **_refusals(404, 422, *_ALL),
}
RESULT: Responses = {
    200: {"description": "A plan, report, sheet or comparison.",
          "content": {"application/json": {}, "application/pdf": _BINARY,
                      "text/html": {"schema": _SCHEMA}, "text/csv": {"schema": _SCHEMA}}},
    **_refusals(304, 404, 422, *_ALL),
}  # fmt: skip

BRIEF_BODY: Doc = {
    "requestBody": {
        "description": "The brief; anything left out has a sensible default.",
        "content": {
            "application/json": {
                "schema": {"$ref": "#/components/schemas/Brief"},
                "example": {"line": "deck-1", "goal": {"min_grade": 0.985}, "trials": {"count": 4}},
            }
        },
    }
}
RUNS_BODY: Doc = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {
                "schema": {
                    "type": "array", "minItems": 1, "items": {"$ref": "#/components/schemas/Row"}
                },
                "example": [_ROW_EXAMPLE],
            },
            "text/csv": {"schema": _SCHEMA,
                         "example": ",".join(_ROW_EXAMPLE) + "\n"
                         + ",".join(map(str, _ROW_EXAMPLE.values())) + "\n"},
            "application/vnd.apache.parquet": {
                "schema": {"type": "string", "contentMediaType": "application/vnd.apache.parquet"}
            },
        },
    }
}  # fmt: skip
