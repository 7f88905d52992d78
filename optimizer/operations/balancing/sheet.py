"""Writes sheets on which to note the weights and assays of streams, for ``balance`` to read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from optimizer.errors import InputError
from optimizer.files import write_whole
from optimizer.history.start_times import Clock, utc_now
from optimizer.measurement import count_for_grade
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.presentation.pages import sample_sheet_html
from optimizer.presentation.pdf_drawing import PAPERS
from optimizer.presentation.sample_sheet import (
    SampleRequest,
    make_sample_sheet,
    sample_sheet_csv,
)
from optimizer.presentation.sample_sheet_pdf import sample_sheet_pdf
from optimizer.presentation.sheet import SHEETS

IMPERIAL = ("lb", "short_ton")
"""Units of mass of plants that weigh samples in pounds; others weigh them in kilograms."""


@dataclass(frozen=True)
class WrittenSampleSheets:
    """The paths of the written sheets, and the ids of their tests."""

    sheets: tuple[Path, ...]
    tests: tuple[str, ...]

    def as_dict(self) -> dict[str, object]:
        """The ``highside.sample_sheets/1`` document."""
        return {
            "schema": "highside.sample_sheets/1",
            "sheets": [str(sheet) for sheet in self.sheets],
            "tests": list(self.tests),
        }


def write_sample_sheets(
    sheets: Sequence[Path],
    site: Site | None = None,
    *,
    line: str | None = None,
    tests: int = 4,
    purity: float | None = None,
    paper: str = "a4",
    language: str | None = None,
    clock: Clock = utc_now,
) -> WrittenSampleSheets:
    """Writes sheets to fill in.

    Args:
        sheets: paths that end in ``.pdf``, ``.html`` or ``.csv``.
        site: the plant, whose ``[measurement]`` says which streams return and how much to count.
        line: name of the line; None for one to be written down.
        tests: number of tests on a sheet. Their ids begin with line and date, so that a sheet of
            another day has others.
        purity: grade that is expected, fraction, from which the sheet says how many particles to
            count; None for no such advice.
        paper: ``a4`` or ``letter``.
        language: language of the texts; None for that of the site file.
        clock: gives the current time.

    Raises:
        InputError: when a path has another suffix, the paper is another one, there are no texts
            in the language, or a file cannot be written.
    """
    if paper not in PAPERS:
        raise InputError(f"--paper {paper}: expected {' or '.join(PAPERS)}.")
    for path in sheets:
        if path.suffix not in SHEETS:
            raise InputError(f"--sheet {path}: expected a name ending in {', '.join(SHEETS)}.")
    plant = site or Site()
    asked = _request(plant, line, tests, purity, clock().date())
    content = make_sample_sheet(asked, plant.words_in(language))
    for path in sheets:
        if path.suffix == ".pdf":
            write_whole(path, sample_sheet_pdf(content, paper))
        elif path.suffix == ".html":
            write_whole(path, sample_sheet_html(content, paper).encode())
        else:
            write_whole(path, sample_sheet_csv(asked).encode("utf-8-sig"))
    return WrittenSampleSheets(tuple(sheets), asked.tests)


def _request(
    site: Site, line: str | None, tests: int, purity: float | None, today: date
) -> SampleRequest:
    usual = site.measurement
    further = [name for name in usual.returned if name not in usual.streams]
    count = None if purity is None else count_for_grade(purity, usual.grade_difference)
    return SampleRequest(
        site=site.name,
        line=line,
        tests=tuple(f"{line or 'test'}-{today}-{k}" for k in range(1, tests + 1)),
        streams=(*usual.streams, *further),
        returned=tuple(usual.returned),
        sampled_after_return=usual.feed_sampled == "after_return",
        settings={s.name: s.unit for s in site.space_of(line).settings},
        material={n: v.unit for n, v in site.material.items() if n != FEED_GRADE},
        mass_unit="lb" if site.mass.name in IMPERIAL else "kg",
        count=None if count is None else count.count,
        why="" if count is None else count.why,
    )
