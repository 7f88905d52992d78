"""The readings that runs were made of, kept beside the history under the id of their run."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from optimizer.errors import HistoryError
from optimizer.intake.rejects import write_atomically


class SampleStore:
    """Readings of one history, a Parquet file for each load.

    Args:
        folder: where they are.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def add(self, readings: pa.Table) -> None:
        """Keeps readings; the same ones again change nothing.

        Args:
            readings: with the ``run_id`` of their run and whether each is ``averaged``.
        """
        buffer = io.BytesIO()
        pq.write_table(readings, buffer)
        content = buffer.getvalue()
        name = f"{hashlib.sha256(content).hexdigest()[:32]}.parquet"
        if not (self.folder / name).exists():
            write_atomically(self.folder / name, [content])

    def read(self, run_ids: Sequence[str] | None = None) -> pa.Table | None:
        """Readings of some runs, or of all; None when none are kept.

        Raises:
            HistoryError: when a file is damaged.
        """
        files = sorted(self.folder.glob("*.parquet"))
        wanted = None if run_ids is None else [("run_id", "in", list(run_ids))]
        try:
            tables = [pq.read_table(file, filters=wanted) for file in files]
        except (pa.ArrowException, OSError) as error:
            raise HistoryError(f"the readings in '{self.folder}' are damaged: {error}.") from None
        return pa.concat_tables(tables, promote_options="default") if tables else None
