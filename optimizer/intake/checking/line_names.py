"""The names of lines in a log: which of them a history can hold, and people can tell apart."""

from __future__ import annotations

from urllib.parse import quote

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask
from optimizer.intake.checking.fields import Fields
from optimizer.text.visible_text import is_printable as is_name

# A line is stored as a folder of the history, and common file systems limit folder names to 255
# bytes.
LONGEST_LINE = 200
UNFIT_NAME = (
    "'{value}' holds a control character or a mark of writing direction: write the name without it"
)


def line_names(fields: Fields, _: str = "line") -> pa.Array:
    """The line of each row, shape (n,); a row whose line is missing or unfit is at fault."""
    if fields.line.null_count:
        missing = np.asarray(fields.line.is_null())
        reason = "is missing: fill it in, or give the line of the whole log with --line"
        fields.fault("line", missing, reason)
    named = pc.unique(fields.line.drop_null())
    long = [name for name in named.to_pylist() if len(quote(name, safe="")) > LONGEST_LINE]
    if long:
        mask = as_mask(pc.is_in(fields.line, pa.array(long)))
        fields.fault("line", mask, "is too long for the name of a line: write a short one")
    if unfit := [name for name in named.to_pylist() if not is_name(name)]:
        mask = as_mask(pc.is_in(fields.line, pa.array(unfit)))
        fields.fault("line", mask, UNFIT_NAME)
    return fields.line
