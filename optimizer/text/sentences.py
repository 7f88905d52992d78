"""Sentences of answers: told in English, and known by key and values, to be told to any reader.

A sentence is made where its reason is known, as a text with a key (section ``sentences`` of the
texts) and values. It behaves as its English text, so JSON holds that text; a document also lists
what its sentences were made of (``sentences_of``), and pages tell them as their reader reads
(``retold``).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from optimizer.text.words import ENGLISH, Words

DIGITS = 10
"""Significant digits of a value in a document: sums of other processors differ beyond them."""
LISTED = "sentences"
"""The member of a document that lists its sentences."""


class Sentence(str):
    """A text in English that knows its key and its values.

    Attributes:
        key: key in the section ``sentences`` of the texts.
        values: its values by name: numbers, texts, sentences, and lists of these.
    """

    key: str
    values: Mapping[str, Any]

    def as_dict(self) -> dict[str, Any]:
        """JSON form: the key and the values."""
        return {"key": self.key, "values": {n: _plain(v) for n, v in self.values.items()}}


def sentence(key: str, **values: Any) -> Sentence:
    """The sentence of a key with its values.

    >>> str(sentence("never_moved", name="air", value=40.0))
    'air was 40 in every run: its effect is not known.'
    """
    made = Sentence(ENGLISH.fill(ENGLISH["sentences"][key], **values))
    made.key, made.values = key, values
    return made


def quantity(value: float, unit: str) -> Sentence:
    """A value with its unit, as a part of a sentence; the value alone where it has none."""
    return sentence("with_unit" if unit else "number", value=value, unit=unit)


def profiles_told(names: Iterable[str]) -> list[Sentence]:
    """Sentences that say what level, taper and bow of gates are, where a table tells of them.

    Args:
        names: names of the inputs that the table tells of.

    >>> str(profiles_told(["side_tilt", "air", "air_taper"])[0])[:43]
    'The air gates are told by their mean (air) '
    """
    known = set(names)
    wholes = (name.removesuffix("_taper") for name in sorted(known) if name.endswith("_taper"))
    return [
        sentence("profile_told_bow" if f"{name}_bow" in known else "profile_told", name=name)
        for name in wholes
    ]


def sentences_of(document: Any) -> list[dict[str, Any]]:
    """What each sentence of a document was made of, in the order of the document: its text, key
    and values. Equal sentences are listed once."""
    return [{"text": str(each), **each.as_dict()} for each in dict.fromkeys(_found(document))]


def listed(document: dict[str, Any]) -> dict[str, Any]:
    """A document that lists its sentences."""
    return {**document, LISTED: sentences_of(document)}


def retold(document: Any, words: Words) -> Any:
    """A document with its listed sentences told as its reader reads.

    A document of an older program lists none, and keeps its sentences in English.
    """
    if words == ENGLISH or not isinstance(document, Mapping | list | tuple):
        return document
    told = {
        each["text"]: words.told(each)
        for listed_ in _lists(document)
        for each in listed_
        if each["key"] in words["sentences"]
    }
    return _exchanged(document, told) if told else document


def _lists(value: Any) -> Iterator[Any]:
    """The lists of sentences in a document, and in those that it holds."""
    if isinstance(value, Mapping):
        for key, each in value.items():
            if key == LISTED:
                yield each
            else:
                yield from _lists(each)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from _lists(each)


def _found(value: Any) -> Iterator[Sentence]:
    if isinstance(value, Sentence):
        yield value
    elif isinstance(value, Mapping):
        for each in value.values():
            yield from _found(each)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from _found(each)


def _exchanged(value: Any, told: Mapping[str, str]) -> Any:
    if isinstance(value, str):
        return told.get(value, value)
    if isinstance(value, Mapping):
        return {k: v if k == LISTED else _exchanged(v, told) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_exchanged(each, told) for each in value]
    return value


def _plain(value: Any) -> Any:
    """A value as JSON can hold it."""
    if isinstance(value, Sentence):
        return value.as_dict()
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, bool | int | str) or value is None:
        return value
    return int(value) if hasattr(value, "dtype") and value.dtype.kind == "i" else _rounded(value)


def _rounded(value: Any) -> float:
    return float(f"{float(value):.{DIGITS}g}")
