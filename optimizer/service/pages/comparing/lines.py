"""The page that compares the lines on the same material, feed rate and grade."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.datastructures import UploadFile
from starlette.responses import RedirectResponse, Response

from optimizer.comparison.request import RANKED_BY
from optimizer.errors import HighsideError, HistoryError, InputError
from optimizer.service.exchange.problems import Problem, status_of
from optimizer.service.exchange.typed_numbers import number
from optimizer.service.pages.comparing.basis_form import Typed, positive, read_brief
from optimizer.service.pages.shared.forms import check_form
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.pages.shared.waiting import answer_in_time, waiting_page
from optimizer.service.parts import Parts, asker_of, parts_of, require_recorder

LINES = "lines"
"""Field with the name of a line that is chosen; the only one that a form may have more than
once."""
NOT_SENT_ON = ("form_token", "without")
"""Fields of the form that are no part of the address of its answer."""
PRICE_NEEDS = "Price and running hours go together: value of the product, hours of a season."

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/lines")
async def lines(request: Request) -> Response:
    """The page with the form, and the comparison that its address asks for."""
    query = request.query_params
    typed = Typed({k: v for k, v in query.items() if v.strip() and k != LINES})
    return await _page(request, typed, tuple(query.getlist(LINES)), begins=bool(query))


@routes.post("/lines")
async def asked(request: Request) -> Response:
    """Keep the file of the form, where it has one, and redirect to the address of the answer."""
    async with request.form(max_files=1) as given:
        check_form(request, given)
        texts = [(k, v.strip()) for k, v in given.multi_items() if isinstance(v, str)]
        fields = {k: v for k, v in texts if v and k not in (*NOT_SENT_ON, LINES)}
        chosen = tuple(v for k, v in texts if k == LINES and v)
        if given.get("without") == "yes":
            fields.pop("fractions", None)
        file = given.get("file")
        if isinstance(file, UploadFile) and file.filename:
            require_recorder(request)
            try:
                keep, content = parts_of(request).fractions.keep, await file.read()
                fields["fractions"] = await asyncio.to_thread(keep, content)
            except (InputError, Problem) as error:
                typed = Typed(fields, {"fractions": str(error)})
                return await _page(request, typed, chosen, begins=True)
    return RedirectResponse(f"/lines?{_query(fields, chosen) or 'ranked_by=attainable'}", 303)


async def _page(request: Request, typed: Typed, chosen: Sequence[str], begins: bool) -> Response:
    parts = parts_of(request)
    brief, more = read_brief(typed, parts.site), read_request(typed, chosen, parts)
    comparison, status = None, 200
    if typed.faults:
        status = 422
    elif begins:
        try:
            order = parts.jobs.order("comparison", brief, more=more)
            content = await answer_in_time(parts.jobs, order, asker_of(request))
        except HistoryError:
            raise
        except HighsideError as error:
            typed.refuse(error)
            status = status_of(error)
        else:
            if content is None:
                address = f"/lines?{_query(typed.fields, chosen)}"
                return waiting_page(request, order, address, "comparison", "lines")
            comparison = json.loads(content)
    summary = json.loads((await parts.summaries.of())[1])
    units = {setting.name: setting.unit for setting in parts.site.wholes}
    return render_for(
        request, "lines.html", "lines", status, typed=typed, chosen=chosen,
        lines=[entry["line"] for entry in summary["lines"]], comparison=comparison,
        material=parts.site.material, feed_unit=units.get("feed_rate", ""), ranks=RANKED_BY,
        again=_query(typed.fields, chosen), mass_unit=parts.site.mass.name,
    )  # fmt: skip


def read_request(typed: Typed, chosen: Sequence[str], parts: Parts) -> dict[str, Any]:
    """What the form chooses beyond the brief, as ``kinds.comparison_request`` reads it; faults are
    noted in ``typed``."""
    prices = {
        "product": typed.read("price", lambda text: positive(text, "Price")),
        "hours": typed.read("hours", lambda text: positive(text, "Running hours")),
        "reject": typed.read("reject_price", lambda text: number(text, "Price of reject")) or 0.0,
    }
    for name, other in (("product", "hours"), ("hours", "product")):
        field = "price" if name == "product" else name
        if prices[name] is None and prices[other] is not None and field not in typed.faults:
            typed.faults[field] = PRICE_NEEDS
    middlings = typed.read("middlings_price", lambda text: number(text, "Price of middlings"))
    if middlings is not None:
        prices["middlings"] = middlings
    found: dict[str, Any] = {
        "lines": list(chosen) or None,
        "feed_rate": typed.read("feed_rate", lambda text: positive(text, "Feed rate")),
    }
    if prices["product"] is not None:
        found["prices"] = prices
    if kept := typed.fields.get("fractions"):
        path = parts.fractions.path(kept)
        if path is None:
            typed.faults["fractions"] = "The file is not kept any more; choose it again."
        found["fractions"] = str(path)
    if (by := typed.fields.get("ranked_by", RANKED_BY[0])) != RANKED_BY[0]:
        found["ranked_by"] = by
    if typed.fields.get("anonymous"):
        found["anonymous"] = True
    return found


def _query(fields: Mapping[str, str], chosen: Iterable[str]) -> str:
    return urlencode([*fields.items(), *((LINES, name) for name in chosen)])
