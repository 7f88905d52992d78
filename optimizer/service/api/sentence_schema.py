"""What the sentences of an answer were made of, in the description of the service."""

from __future__ import annotations

from collections.abc import Mapping

from optimizer.service.api.schemas import Doc, object_of
from optimizer.text.sentences import LISTED

SENTENCES: Doc = {
    "type": "array",
    "description": "What the sentences of this answer were made of, to tell them in another "
    "language.",
    "items": object_of(
        {
            "text": {"type": "string", "description": "The sentence as it stands in the answer."},
            "key": {"type": "string", "description": "Key of the text that it was made from."},
            "values": {"type": "object", "description": "The values in it, by name."},
        }
    ),
}
TELLING = ("Plan", "Comparison", "Diagnosis", "Expected")
"""Names of the answers that list their sentences."""


def with_sentences(schemas: Mapping[str, Doc]) -> dict[str, Doc]:
    """Schemas by name, those of answers that list their sentences with the list."""
    more = {
        name: {**schemas[name], "properties": {**schemas[name]["properties"], LISTED: SENTENCES}}
        for name in TELLING
    }
    return {**schemas, **more}
