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
from optimizer.presentation.texts import DEFAULT_LANGUAGE

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
    language: str = DEFAULT_LANGUAGE,
) -> bytes:
    """The sheet of an issued batch.

    Args:
        history: the history, whose latest version is used; or one version of it (``History.at``).
        batch: id of the batch.
        suffix: ``.pdf``, ``.html`` or ``.csv``.
        paper: ``a4`` or ``letter``.
        language: language of the texts.

    Raises:
        InputError: when there is no such batch, or suffix, paper or language are not known.
    """
    if suffix not in SHEETS:
        raise InputError(f"sheet '{suffix}': expected {', '.join(SHEETS)}.")
    if paper not in PAPERS:
        raise InputError(f"paper '{paper}': expected {' or '.join(PAPERS)}.")
    # The sheet shows the plan in the units in which it was issued.
    issued = find_batch(snapshot_of(history), batch)
    if suffix == ".csv":
        return sheet_csv(issued.plan, issued.batch).encode("utf-8-sig")
    sheet = make_sheet(issued.plan, issued.today, language, issued.batch)
    if suffix == ".html":
        return sheet_html(sheet, paper, language).encode()
    return sheet_pdf(sheet, paper)


def write_batch_sheets(
    history: History | Snapshot,
    batch: str,
    sheets: Sequence[Path],
    paper: str = "a4",
    language: str = DEFAULT_LANGUAGE,
) -> WrittenSheets:
    """Writes the sheets of an issued batch.

    Args:
        sheets: paths that end in ``.pdf``, ``.html`` or ``.csv``; at least one.
        history, batch, paper, language: as of ``batch_sheet``.

    Raises:
        InputError: as ``batch_sheet``, and when a file cannot be written.
    """
    if not sheets:
        raise InputError("no sheet was named.", hint="Give it with --sheet FILE.")
    made = [batch_sheet(history, batch, path.suffix, paper, language) for path in sheets]
    for path, content in zip(sheets, made, strict=True):
        write_whole(path, content)
    return WrittenSheets(batch, tuple(sheets))
