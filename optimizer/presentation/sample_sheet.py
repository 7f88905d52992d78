"""A sheet on which a laboratory writes down the weights and assays of streams, test by test.

In come the plant's settings, its streams and how much to count; out comes a ``SampleSheet``, which
is laid out by ``sample_sheet_pdf`` and by an HTML template, or a CSV file that ``balance`` reads
once it is filled in.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from optimizer.presentation.sheet import INCREMENTS, Box
from optimizer.text.formulas import harmless
from optimizer.text.headings import with_unit
from optimizer.text.words import ENGLISH, Words


@dataclass(frozen=True)
class SampleRequest:
    """What a sheet is made for.

    Attributes:
        site, line: name of the plant, and of the line; None for a line to be written down.
        tests: ids of the tests.
        streams: names of the streams of each test, the feed first.
        returned: those of them that go back to the feed.
        sampled_after_return: whether the feed is sampled after these have joined it.
        settings: unit of each setting of the line, by name.
        material: unit of each property of the material to note, by name.
        mass_unit: unit in which streams are weighed.
        count, why: how many particles to count, and why; None where it is not known.
    """

    site: str
    line: str | None
    tests: tuple[str, ...]
    streams: tuple[str, ...]
    returned: tuple[str, ...]
    sampled_after_return: bool
    settings: Mapping[str, str]
    material: Mapping[str, str]
    mass_unit: str
    count: int | None = None
    why: str = ""


@dataclass(frozen=True)
class SampleSheet:
    """The content of a sheet.

    Attributes:
        words: fixed words, by key (section ``sample_sheet`` of the texts).
        language: language of the words.
        heading: name of the plant and the line.
        tests: ids of the tests.
        streams: name of each stream, with a remark where it is returned to the feed.
        noted: label and unit of what is noted once for each test: start, settings, material.
        mass_unit: unit in which streams are weighed.
        sampling, cautions: fixed advice.
    """

    words: Mapping[str, Any]
    language: str
    heading: str
    tests: tuple[str, ...]
    streams: tuple[str, ...]
    noted: tuple[tuple[str, str], ...]
    mass_unit: str
    sampling: Box
    cautions: Box


def make_sample_sheet(asked: SampleRequest, words: Words = ENGLISH) -> SampleSheet:
    """The content of a sheet, as a reader is told things."""
    say = words["sample_sheet"]
    advice = [line.format(increments=INCREMENTS) for line in say["sampling"]]
    if asked.returned:
        where = say["after_return" if asked.sampled_after_return else "before_return"]
        advice.append(where.format(returned=", ".join(asked.returned)))
    if asked.count is not None:
        advice.append(words.fill(say["count"], count=asked.count, why=asked.why))
    noted = [(say["started_at"], "")]
    noted += [(words.setting(name), words.unit(unit)) for name, unit in asked.settings.items()]
    noted += [(words.property(name), words.unit(unit)) for name, unit in asked.material.items()]
    return SampleSheet(
        words=say,
        language=words.language,
        heading=" · ".join(part for part in (asked.site, asked.line) if part),
        tests=asked.tests,
        streams=tuple(
            say["returned"].format(name=name) if name in asked.returned else name
            for name in asked.streams
        ),
        noted=tuple(noted),
        mass_unit=asked.mass_unit,
        sampling=Box(say["sampling_title"], tuple(advice)),
        cautions=Box(say["cautions_title"], tuple(words["sheet"]["cautions"][:3])),
    )


def sample_sheet_csv(asked: SampleRequest) -> str:
    """The sheet as CSV text that ``balance`` reads, with a row for each stream of each test.

    What is noted once for a test stands in the row of its first stream.
    """
    units = {**asked.settings, **asked.material}
    once = ["line", "started_at", *(with_unit(name, unit) for name, unit in units.items()), "note"]
    head = ["test_id", "stream", with_unit("mass", asked.mass_unit), "assay [%]", "count"]
    rows = [
        [test, stream, "", "", "", (asked.line or "") if k == 0 else "", *[""] * (len(once) - 1)]
        for test in asked.tests
        for k, stream in enumerate(asked.streams)
    ]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(map(harmless, [*head, *once]))
    writer.writerows([harmless(cell) for cell in row] for row in rows)
    return text.getvalue()
