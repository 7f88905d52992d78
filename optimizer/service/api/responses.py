"""The responses and request bodies of each endpoint, as the OpenAPI document describes them."""

from __future__ import annotations

from typing import Any

from optimizer.service.api.schemas import ROW_EXAMPLE
from optimizer.service.exchange.problems import MEDIA_TYPE as PROBLEM

Doc = dict[str, Any]
TEXT = {"type": "string"}


def _answer(name: str, text: str, links: Doc | None = None) -> Doc:
    schema = {"$ref": f"#/components/schemas/{name}"}
    content = {"application/json": {"schema": schema}}
    return {"description": text, "content": content, **({"links": links} if links else {})}


def _link(path: str, method: str, parameter: str, member: str, text: str) -> Doc:
    """An OpenAPI link: a member of this answer is a parameter of a following request."""
    operation = f"#/paths/{path.replace('/', '~1')}/{method}"
    leads = {parameter: f"$response.body#/{member}"}
    return {"operationRef": operation, "parameters": leads, "description": text}


_TO_JOB = {"job": _link("/v1/jobs/{job}", "get", "job", "id", "The state of the job.")}
_TO_RESULT = {
    "result": _link("/v1/results/{job}", "get", "job", "id", "The answer, once the job is done.")
}
_TO_PLAN = {
    "plan": _link("/v1/plans", "post", "as_of", "version", "A plan on the history after this load.")
}


def _refusals(*statuses: int) -> dict[int | str, Doc]:
    texts = {
        304: "The client already has this answer.",
        400: "The body is empty or is not JSON.",
        401: "A token is needed.",
        403: "This token, or this sender, may not do this.",
        404: "There is nothing with that id.",
        405: "The address is that of something to which this cannot be done.",
        409: "What is stored does not allow it, or the job was cancelled; the document says what "
        "is there and what to do.",
        413: "The body is too large.",
        414: "The query is too long.",
        415: "The media type is not read here.",
        421: "The request is addressed to another host.",
        422: "The request cannot be used; the document says why.",
        429: "Too many requests; Retry-After says how long to wait.",
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
HEALTH: Responses = {200: _answer("Health", "The service can answer."), **_refusals(503)}
METRICS: Responses = {
    200: {"description": "Prometheus text format 0.0.4.",
          "content": {"text/plain": {"schema": TEXT}}},
    **_refusals(422, *_ALL),
}  # fmt: skip
HISTORY: Responses = {
    200: _answer("History", "As `highside history --json`."), **_refusals(304, 422, *_ALL)
}  # fmt: skip
LOAD: Responses = {
    200: _answer("Load", "As `highside load --json`; runs and audit entry are on disk.", _TO_PLAN),
    **_refusals(400, 413, 415, 422, *_ALL),
}
CHANGES: Responses = {
    200: _answer("Changes", "As `highside history --changes --json`."),
    **_refusals(304, 422, *_ALL),
}
CHANGE: Responses = {
    200: _answer("Changes", "The one change that was made; it and its audit entry are on disk."),
    **_refusals(400, 404, 409, 413, 422, *_ALL),
}
PLAN: Responses = {
    200: _answer("Plan", "As `highside suggest --json`, byte for byte."),
    202: _answer("Job", "The answer is being made; Location leads to the job.", _TO_JOB),
    **_refusals(400, 409, 413, 415, 422, *_ALL),
}
EXPECTED: Responses = {
    200: _answer("Expected", "The true values to expect, as a plan states them for a trial."),
    **_refusals(304, 422, *_ALL),
}
REPORT: Responses = {
    200: {"description": "One self-contained page.", "content": {"text/html": {"schema": TEXT}}},
    202: _answer("Job", "The answer is being made; Location leads to the job.", _TO_JOB),
    **_refusals(304, 409, 422, *_ALL),
}
_BINARY = {"schema": {"type": "string", "contentMediaType": "application/pdf"}}
SHEET: Responses = {
    200: {"description": "The sheet.",
          "content": {"application/pdf": _BINARY, "text/html": {"schema": TEXT},
                      "text/csv": {"schema": TEXT}}},
    202: _answer("Job", "The answer is being made; Location leads to the job.", _TO_JOB),
    **_refusals(304, 409, 422, *_ALL),
}  # fmt: skip
COMPARISON: Responses = {
    200: _answer("Comparison", "As `highside compare --json`."),
    202: _answer("Job", "The answer is being made; Location leads to the job.", _TO_JOB),
    **_refusals(304, 409, 422, *_ALL),
}
DIAGNOSIS: Responses = {
    200: _answer("Diagnosis", "As `highside diagnose --json`, byte for byte."),
    202: _answer("Job", "The answer is being made; Location leads to the job.", _TO_JOB),
    **_refusals(304, 409, 422, *_ALL),
}
LOOK: Responses = {
    200: _answer("Look", "A plan, and what surrounds it as numbers to draw."),
    202: _answer("Job", "The answer is being made; Location leads to the job.", _TO_JOB),
    **_refusals(304, 409, 422, *_ALL),
}
JOB: Responses = {
    200: _answer("Job", "The state of the job.", {**_TO_JOB, **_TO_RESULT}),
    **_refusals(404, 422, *_ALL),
}
CANCEL: Responses = {
    200: _answer("Job", "The job, whose state is cancelled."), **_refusals(404, 409, 422, *_ALL)
}  # fmt: skip
RESULT: Responses = {
    200: {"description": "A plan, report, sheet, comparison, diagnosis or look.",
          "content": {"application/json": {}, "application/pdf": _BINARY,
                      "text/html": {"schema": TEXT}, "text/csv": {"schema": TEXT}}},
    **_refusals(304, 404, 422, *_ALL),
}  # fmt: skip
_TO_BATCH = {
    "batch": _link("/v1/batches/{batch}", "get", "batch", "batch", "The state of the batch."),
    "sheet": _link("/v1/batches/{batch}/sheet", "get", "batch", "batch", "Its trial sheet."),
}
ISSUE: Responses = {
    201: _answer("Batch", "The issued batch; Location leads to it.", _TO_BATCH),
    **_refusals(400, 413, 415, 422, *_ALL),
}
BATCHES: Responses = {
    200: _answer("Batches", "As `highside batch --json`."), **_refusals(304, 422, *_ALL)
}  # fmt: skip
BATCH: Responses = {
    200: _answer("Batch", "As `highside batch BATCH --json`.", _TO_BATCH),
    **_refusals(304, 404, 422, *_ALL),
}
CHANGED: Responses = {
    200: _answer("Batch", "The batch after the change, which is on disk.", _TO_BATCH),
    **_refusals(400, 404, 409, 413, 415, 422, *_ALL),
}
RECORDED: Responses = {**CHANGED, **_refusals(405)}
BATCH_SHEET: Responses = {200: SHEET[200], **_refusals(304, 404, 422, *_ALL)}


def _body(schema: str, example: Doc) -> Doc:
    content = {"schema": {"$ref": f"#/components/schemas/{schema}"}, "example": example}
    return {"requestBody": {"required": True, "content": {"application/json": content}}}


RESULT_BODY = _body(
    "TrialResult",
    {"grade": "98.7%", "recovery": 0.931, "grade_count": 400, "settings": {"air": 33}},
)
TRIAL_BODY = _body("TrialChange", {"state": "skipped", "reason": "the lot ran out"})
CLOSE_BODY = _body("Closing", {"closed": True})

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
CORRECTION_BODY: Doc = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {
                "schema": {"$ref": "#/components/schemas/Correction"},
                "example": {"grade": "98.2%", "settings": {"air": 33},
                            "reason": "digits exchanged"},
            }
        },
    }
}  # fmt: skip
WITHDRAWAL_BODY: Doc = {
    "requestBody": {
        "content": {
            "application/json": {
                "schema": {"$ref": "#/components/schemas/Withdrawal"},
                "example": {"reason": "sample mixed up"},
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
                "example": [ROW_EXAMPLE],
            },
            "text/csv": {"schema": TEXT,
                         "example": ",".join(ROW_EXAMPLE) + "\n"
                         + ",".join(map(str, ROW_EXAMPLE.values())) + "\n"},
            "application/vnd.apache.parquet": {
                "schema": {"type": "string", "contentMediaType": "application/vnd.apache.parquet"}
            },
        },
    }
}  # fmt: skip
