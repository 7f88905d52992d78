"""The endpoint that says what to expect at chosen settings."""

from __future__ import annotations

import hashlib
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from optimizer.service.answers.expectations import of_fit
from optimizer.service.api import responses
from optimizer.service.api.endpoints import tagged
from optimizer.service.api.parameters import AsOf, BriefOfQuery, IfNoneMatch, Seed
from optimizer.service.exchange.typed_numbers import number
from optimizer.service.parts import parts_of
from optimizer.service.recording.bodies import JSON
from optimizer.text.key_values import key_values
from optimizer.text.visible_text import json_bytes

Setting = Annotated[
    list[str] | None,
    Query(
        description="A setting, `NAME=VALUE` in the site's unit; repeat for more. Those left out "
        "are as at the latest run of the line, moved inside the limits.",
        max_length=50,
        examples=[["air=33"]],
    ),
]

routes = APIRouter(default_response_class=Response)


@routes.get("/v1/expected", summary="What to expect at chosen settings", tags=["plans"],
            responses=responses.EXPECTED)  # fmt: skip
async def expected(
    request: Request, brief: BriefOfQuery, setting: Setting = None, seed: Seed = None,
    as_of: AsOf = None, if_none_match: IfNoneMatch = None,
) -> Response:  # fmt: skip
    """Grade, recovery and chances that a plan would state for a trial at these settings."""
    parts = parts_of(request)
    settings = {
        name: number(value, name[:60])
        for name, value in key_values(setting or (), "setting").items()
    }
    fit, min_grade = of_fit(brief)
    order = parts.jobs.order("expected", fit, seed, as_of)
    content = json_bytes(await parts.expectations.of(order, settings, min_grade))
    return tagged(content, hashlib.sha256(content).hexdigest()[:32], JSON, request)
