"""Renders pages from templates, with style, security policy, figures and the signed-in person."""

from __future__ import annotations

import base64
import hashlib
import re
import secrets
from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache, partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape
from starlette.requests import Request
from starlette.responses import Response

from optimizer.errors import HighsideError
from optimizer.presentation.sheet import by_order
from optimizer.service.admission.access import SESSION_SECONDS, VISITOR, set_cookie
from optimizer.service.exchange import problems
from optimizer.service.pages.shared.progress import duration, queue_before, stage_of
from optimizer.service.pages.shared.sent_again import Sent, sent_form, words_of
from optimizer.service.pages.shared.translated import Translated, filters_for
from optimizer.service.parts import parts_of
from optimizer.text.figures import (
    exact_percent,
    level,
    percent,
    plain,
    points,
    whole_percent,
    worth,
)
from optimizer.text.masses import TONNE, feed_key, mass, mass_label, mass_unit_of
from optimizer.text.money import prices_told, season_value
from optimizer.text.plan_middlings import keeps_middlings
from optimizer.text.sentences import LISTED, Sentence, profiles_told, retold
from optimizer.text.setting_names import first_gates, setting_words
from optimizer.text.todays_material import property_text
from optimizer.text.visible_text import fits_in_a_page, printable
from optimizer.text.words import ENGLISH, Words

STATIC = Path(__file__).parents[1] / "static"
STYLE = "".join(
    path.read_text(encoding="utf-8")
    for path in (STATIC / "page.css", *sorted(STATIC.glob("*.part.css")))
)
"""The style sheet that every page contains: the common one, and a part for each kind of page."""
NAVIGATION = (
    ("trials", "/", "Today"),
    ("batches", "/batches", "Batches"),
    ("look", "/look", "Look"),
    ("what-if", "/what-if", "What if"),
    ("runs", "/runs", "Runs"),
    ("lines", "/lines", "Lines"),
    ("diagnosis", "/diagnosis", "Diagnosis"),
    ("plant", "/plant", "Plant"),
)
"""Entries of the navigation: name, address and label."""
REFUSED = "This could not be done"
"""Heading of the page of an error."""
CLOSED_KINDS = ("state", "yes or no")
"""Kinds of cells whose texts are of a closed set, which pages tell in the reader's language."""
NOTHING = "–"
"""Text on a page in place of an unknown figure."""
_HASH = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        f"style-src 'sha256-{_HASH}'",  # the style sheet that each page contains
        "connect-src 'self'",
        "img-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)


def _visible(value: Any) -> Any:
    """A value for a page: text with its unprintable characters written out."""
    return printable(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _mass(value: float | None, unit: str) -> str:
    """A mass on a page; tonnes keep all their decimals."""
    return level(value) if unit == TONNE and value is not None else mass(value, unit)


def _feed(trial: Mapping[str, Any], plan: Mapping[str, Any]) -> str:
    """The feed of a trial of a plan with its unit; empty where it is not known."""
    unit = mass_unit_of(plan)
    feed = trial[feed_key(unit)]
    return "" if feed is None else f"{_mass(feed, unit)} {mass_label(unit)}"


def card_of(trial: str) -> str:
    """The id of the part of a page about an issued trial, which an address may name.

    >>> card_of("deck-1-7.2")
    'b7-2'
    """
    batch, _, order = trial.rpartition(".")
    return f"b{batch.rpartition('-')[2]}-{order}"


FILTERS: dict[str, Any] = {
    "first_gates": first_gates,
    "percent": lambda v, places=1: NOTHING if v is None else percent(v, places),
    "whole_percent": lambda v: NOTHING if v is None else whole_percent(v),
    "exact_percent": exact_percent,
    "worth": lambda v: NOTHING if v is None else worth(v),
    "points": lambda v, places=2: NOTHING if v is None else points(v, places),
    "level": lambda v: NOTHING if v is None else level(v),
    "sigmas": lambda v: NOTHING if v is None else f"{v:.1f}".replace("-", "\u2212"),
    "card": card_of,
    "address": lambda text: Markup(quote(text, safe="")),
    "plain": plain,
    "property_text": property_text,
    "season_value": season_value,
    "words": lambda name: name.replace("_", " "),
    "setting": setting_words,
    "field_words": words_of,
    "profiles_told": profiles_told,
    "feed": _feed,
    "mass": _mass,
    "rate": mass,
    "mass_label": mass_label,
    "mass_word": ENGLISH.mass_word,
    "prices_told": prices_told,
    "by_order": by_order,
    "keeps_middlings": keeps_middlings,
    "duration": duration,
    "moment": datetime.fromisoformat,
    "clock": lambda text: re.sub(r"(?<=\d)T(?=\d)", " ", text),
    "cell": lambda text, kind, is_number: text,
    "stage_of": stage_of,
    "queue_before": queue_before,
    # The value of a form field comes back from the browser, so it is not changed.
    "value": lambda text: Markup(escape(text)),
    "told": str,
    "told_of": lambda text, document: text,
}


@lru_cache(maxsize=16)
def environment(words: Words) -> Environment:
    """The templates, told as a reader is told things; in plain English they are as they stand."""
    made = Environment(
        loader=PackageLoader("optimizer.service.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_visible if words == ENGLISH else partial(_told, words),
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=() if words.language == ENGLISH.language else (Translated,),
    )
    made.filters.update(FILTERS)
    made.tests["fitting"] = fits_in_a_page
    made.globals |= {"language": words.language, "feed_end": words.place("feed_end")}
    if words == ENGLISH:
        return made
    made.filters.update(
        words=words.spoken,
        setting=words.spoken,
        mass_word=words.mass_word,
        prices_told=partial(prices_told, words=words),
        told_of=partial(_told_of, words),
    )
    if words.language != ENGLISH.language:
        texts = words["pages"]
        made.exchange = texts.__getitem__  # type: ignore[attr-defined]
        made.filters.update(
            **filters_for(made.filters, words),
            told=lambda text: texts.get(text, text),
            clock=words.date,
            cell=partial(_cell, words),
            words=lambda name: texts.get(name) or words.spoken(name),
            capitalize=lambda text: _capital(texts.get(text, text)),
            join=partial(_joined, words),
        )
    return made


def _told(words: Words, value: Any) -> Any:
    """A value for a page, a sentence as the reader is told it."""
    return _visible(words.told(value) if isinstance(value, Sentence) else value)


def _told_of(words: Words, text: str, document: Mapping[str, Any]) -> str:
    """A sentence of a document, as the reader is told it."""
    return str(retold({LISTED: document.get(LISTED, ()), "": text}, words)[""])


def _joined(words: Words, parts: Any, mark: str = "", attribute: str = "") -> str:
    """Parts as one text, each sentence among them as the reader is told it."""
    each = (part[attribute] if attribute else part for part in parts)
    return mark.join(str(_told(words, part)) for part in each)


def _cell(words: Words, text: str, kind: str, is_number: bool) -> str:
    """A cell of a run, as the reader is told it."""
    if kind == "time" and text:
        return words.date(text)
    if is_number:
        return words.local(text)
    return str(words["pages"].get(text, text)) if kind in CLOSED_KINDS else text


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


ENVIRONMENT = environment(ENGLISH)


def render(template: str, status: int = 200, reader: Words = ENGLISH, **values: Any) -> Response:
    """A page rendered from a template as a reader is told things, with its content-security
    policy."""
    told = {name: retold(value, reader) for name, value in values.items()}
    content = environment(reader).get_template(template).render(style=STYLE, **told)
    headers = {"Content-Security-Policy": POLICY, "Cache-Control": "no-store"}
    return Response(content, status, headers, media_type="text/html; charset=utf-8")


def rendered_part(template: str, reader: Words, **values: Any) -> Markup:
    """A part of a page that is the same for every request, so that it can be kept."""
    told = {name: retold(value, reader) for name, value in values.items()}
    return Markup(environment(reader).get_template(template).render(**told))


def render_for(
    request: Request, template: str, here: str, status: int = 200, **values: Any
) -> Response:
    """A page for the signed-in person, with the token that its forms send back.

    Args:
        request: the request to answer.
        template: name of the template.
        here: entry of the navigation that this page belongs to.
        status: HTTP status of the answer.
        values: values that the template shows.
    """
    parts = parts_of(request)
    return render_with_token(
        request,
        template,
        status,
        here=here,
        navigation=NAVIGATION,
        person=request.state.person,
        signed_in=not parts.access.open,
        version=parts.jobs.versions.latest()[1],
        under_way=parts.jobs.under_way(),
        site_name=parts.site.name,
        **values,
    )


def render_with_token(
    request: Request, template: str, status: int = 200, **values: Any
) -> Response:
    """A page with the token that its forms send back.

    Arguments are those of ``render_for``; the page needs no person.
    """
    parts = parts_of(request)
    cookies = dict(request.state.cookies)
    first_visit = parts.access.open and not cookies.get(VISITOR)
    if first_visit:
        cookies[VISITOR] = secrets.token_urlsafe(16)
    token = parts.access.form_token(cookies)
    page = render(template, status, parts.site.words, form_token=token, **values)
    if first_visit:
        secure = parts.configuration.secure
        cookie = set_cookie(VISITOR, cookies[VISITOR], SESSION_SECONDS, secure)
        page.headers.append("Set-Cookie", cookie)
    return page


def render_sign_in(
    status: int = 200,
    words: Words = ENGLISH,
    *,
    failed: bool = False,
    sent: Sent | None = None,
) -> Response:
    """The page with the sign-in form.

    Its referrer policy lets browsers without ``Sec-Fetch-Site`` name the origin of the form; under
    ``no-referrer`` they send ``null``, as they do for a form of a foreign page that hides itself.

    Args:
        status: HTTP status of the answer.
        words: how the reader is told things.
        failed: whether a token was given that is not known.
        sent: form that was refused since nobody was signed in.
    """
    page = render("sign_in.html", status, words, failed=failed, kept=sent and sent.as_text())
    page.headers["Referrer-Policy"] = "same-origin"
    return page


def wants_page(request: Request) -> bool:
    """Whether a request is answered with a page, rather than with a document for a program."""
    accepts = request.headers.get("accept", "")
    return "text/html" in accepts and not request.url.path.startswith("/v1/")


async def refusal(error: HighsideError, request: Request) -> Response:
    """The response to an error: a page for a browser, else a problem document.

    A form that was refused is shown again, so that nothing that was typed is lost: with a button
    that sends it again, or beside the sign-in form where the session has ended.

    Args:
        error: the error.
        request: the refused request.
    """
    request.state.refused = error.code
    if not wants_page(request):
        return problems.answer(error)
    document = problems.document(error)
    status, sent = document["status"], await sent_form(request)
    if status == 401:
        page = render_sign_in(status, parts_of(request).site.words, sent=sent)
    else:
        heading = REFUSED
        page = render_with_token(
            request, "refused.html", status, heading=heading, problem=document, sent=sent
        )
    for name, value in getattr(error, "headers", {}).items():
        page.headers[name] = value
    return page
