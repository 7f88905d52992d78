"""The sheets of an issued batch: the plan as it was issued, with the numbers of its trials.

Nothing is planned again; a sheet that is printed twice is the same twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import InputError
from optimizer.files import write_whole
from optimizer.history.issued import find_batch
from optimizer.history.snapshot import snapshot_of
from optimizer.presentation.pages import sheet_html
from optimizer.presentation.pdf_drawing import PAPERS
from optimizer.presentation.sheet import SHEETS, make_sheet
from optimizer.presentation.sheet_csv import sheet_csv
from optimizer.presentation.sheet_pdf import sheet_pdf
from optimizer.text.words import ENGLISH, Words

if TYPE_CHECKING:
    from optimizer.history.history import History
    from optimizer.history.snapshot import Snapshot


@dataclass(frozen=True)
class WrittenSheets:
    """The paths of the written sheets of a batch."""

    batch: str
    sheets: tuple[Path, ...]

    def as_dict(self) -> dict[str, object]:
        """The ``highside.sheets/1`` document."""
        return {
            "schema": "highside.sheets/1",
            "batch": self.batch,
            "sheets": [str(sheet) for sheet in self.sheets],
        }


def batch_sheet(
    history: History | Snapshot,
    batch: str,
    suffix: str = ".pdf",
    paper: str = "a4",
    words: Words = ENGLISH,
) -> bytes:
    """The sheet of an issued batch.

    Args:
        history: the history, whose latest version is used; or one version of it (``History.at``).
        batch: id of the batch.
        suffix: ``.pdf``, ``.html`` or ``.csv``.
        paper: ``a4`` or ``letter``.
        words: how the reader is told things.

    Raises:
        InputError: when there is no such batch, or suffix or paper are not known.
    """
    if suffix not in SHEETS:
        raise InputError(f"sheet '{suffix}': expected {', '.join(SHEETS)}.")
    if paper not in PAPERS:
        raise InputError(f"paper '{paper}': expected {' or '.join(PAPERS)}.")
    # The sheet shows the plan in the units in which it was issued.
    issued = find_batch(snapshot_of(history), batch)
    if suffix == ".csv":
        return sheet_csv(issued.plan, issued.batch).encode("utf-8-sig")
    sheet = make_sheet(issued.plan, issued.today, words, issued.batch)
    if suffix == ".html":
        return sheet_html(sheet, paper).encode()
    return sheet_pdf(sheet, paper)


def write_batch_sheets(
    history: History | Snapshot,
    batch: str,
    sheets: Sequence[Path],
    paper: str = "a4",
    words: Words = ENGLISH,
) -> WrittenSheets:
    """Writes the sheets of an issued batch.

    Args:
        sheets: paths that end in ``.pdf``, ``.html`` or ``.csv``; at least one.
        history, batch, paper, words: as of ``batch_sheet``.

    Raises:
        InputError: as ``batch_sheet``, and when a file cannot be written.
    """
    if not sheets:
        raise InputError("no sheet was named.", hint="Give it with --sheet FILE.")
    made = [batch_sheet(history, batch, path.suffix, paper, words) for path in sheets]
    for path, content in zip(sheets, made, strict=True):
        write_whole(path, content)
    return WrittenSheets(batch, tuple(sheets))
