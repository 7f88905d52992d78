"""Stores the readings from which runs were averaged beside the history, with their runs' ids."""

from __future__ import annotations

import hashlib
import io
import os
from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from optimizer.errors import HistoryError, reason_of
from optimizer.files import write_whole


class SampleStore:
    """The readings of one history, in one Parquet file for each load.

    Args:
        folder: the folder that contains the files.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def add(self, readings: pa.Table) -> None:
        """Stores readings; storing equal readings again changes nothing.

        Args:
            readings: a table of readings, with the columns ``run_id`` and ``averaged`` (whether the
                reading is part of its run's average).
        """
        buffer = io.BytesIO()
        pq.write_table(readings, buffer)
        content = buffer.getvalue()
        name = _name_of(content)
        if not os.path.exists(self.folder / name):
            write_whole(self.folder / name, content, own=True)

    def read(self, run_ids: Sequence[str] | None = None) -> pa.Table | None:
        """The readings of the given runs, or of all runs when None; None when none are stored.

        Raises:
            HistoryError: when a file is damaged.
        """
        wanted = None if run_ids is None else pa.array(run_ids, pa.string())
        try:
            found = sorted(self.folder.iterdir()) if os.path.isdir(self.folder) else []
            tables = [_readings(file, wanted) for file in found if file.suffix == ".parquet"]
        except (pa.ArrowException, OSError) as error:
            raise HistoryError(
                f"the readings in '{self.folder}' are damaged: {reason_of(error)}."
            ) from None
        return pa.concat_tables(tables, promote_options="default") if tables else None


def _name_of(content: bytes) -> str:
    return f"{hashlib.sha256(content).hexdigest()[:32]}.parquet"


def _readings(file: Path, wanted: pa.Array | None) -> pa.Table:
    """The readings in a file, of all runs or of those whose ids are wanted.

    Raises:
        OSError, pyarrow.ArrowException: when the file cannot be read or its bytes have changed.
    """
    content = file.read_bytes()
    if file.name != _name_of(content):
        raise OSError(f"the bytes of {file.name} are not those that were written")
    readings = pq.ParquetFile(io.BytesIO(content)).read()
    return readings if wanted is None else readings.filter(pc.is_in(readings["run_id"], wanted))
