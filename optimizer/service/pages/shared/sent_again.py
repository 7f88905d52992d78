"""A refused form on its way back to the person who filled it in."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import quote

from starlette.requests import Request

from optimizer.service.admission.sent_forms import SECRET, SentForm
from optimizer.text.setting_names import setting_words
from optimizer.text.visible_text import fits_in_a_page

UNSEEN = ("form_token", "again", "nonce", "page", "state", "version")
"""Fields that the page itself filled in, which say nothing to a person."""
PREFIXES = re.compile(r"^[a-z]\.")
"""What stands before the name of a setting (``s.``) or a property of the material (``m.``)."""
OF_SETTING = "s."


@dataclass(frozen=True)
class Sent:
    """A form that was sent and not stored.

    Attributes:
        address: where it was sent to.
        fields: its fields as they were typed, by name, without the token of its page.
    """

    address: str
    fields: Mapping[str, str]

    @property
    def typed(self) -> dict[str, str]:
        """What a person recognizes: the fields that were filled in, by their names in words."""
        return {
            words_of(name): text
            for name, text in self.fields.items()
            if text.strip() and name not in UNSEEN
        }

    def as_text(self) -> str:
        """The form as a text, from which ``sent_of`` makes it again."""
        return json.dumps({"address": self.address, "fields": dict(self.fields)})


def words_of(name: str) -> str:
    """The name of a field in words.

    >>> words_of("s.feed_rate"), words_of("s.air_2"), words_of("grade_count")
    ('feed rate', 'air gate 2', 'grade count')
    """
    plain = PREFIXES.sub("", name)
    return setting_words(plain) if name == f"{OF_SETTING}{plain}" else plain.replace("_", " ")


async def sent_form(request: Request) -> Sent | None:
    """The form that a request sent; None where it sent none, or nothing of it can be shown."""
    form: SentForm | None = getattr(request.state, "form", None)
    if form is None:
        return None
    fields = {name: text for name, text in (await form.fields()).items() if name != "form_token"}
    query = request.url.query
    return (
        Sent(quote(request.url.path) + (f"?{query}" if query else ""), fields) if fields else None
    )


def sent_of(text: str) -> Sent | None:
    """The form that ``as_text`` wrote; None where the text holds none of this service's forms."""
    try:
        found = json.loads(text)
        address, fields = found["address"], found["fields"]
        known = address.startswith("/") and not address.startswith(("//", "/v1/", *SECRET))
        texts = all(fits_in_a_page(f"{name}{value}") for name, value in fields.items())
    except (AttributeError, KeyError, TypeError, ValueError):
        return None
    return Sent(address, dict(fields)) if known and texts and fits_in_a_page(address) else None
