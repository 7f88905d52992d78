"""Commits of the table: the files they add and remove, and that none is retried on another version.

The table library writes them, with a put that succeeds on one version only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pyarrow as pa
from deltalake import CommitProperties, DeltaTable, Schema
from deltalake.transaction import AddAction, RemoveAction, create_table_with_add_actions

FORMAT = 1
"""Version of the table's columns and units; a higher one was written by a newer highside."""
FORMAT_KEY = "highside.format="
MARK = "highside.commit"
"""Where a commit says which write made it."""
# A season's plan can be made again years later: no version is cleaned away.
_CONFIGURATION = {"delta.enableExpiredLogCleanup": "false"}
_NAME = "highside run history"


def create(uri: str, schema: pa.Schema, added: list[AddAction], mark: str) -> None:
    """The first commit of a table, its columns those of the schema."""
    create_table_with_add_actions(
        uri,
        Schema.from_arrow(schema),
        added,
        mode="error",
        partition_by=["line"],
        name=_NAME,
        description=f"{FORMAT_KEY}{FORMAT}",
        configuration=_CONFIGURATION,
        commit_properties=alone(mark),
    )


def append(
    table: DeltaTable,
    schema: pa.Schema,
    added: list[AddAction],
    mark: str = "",
    removed: Sequence[RemoveAction] = (),
) -> None:
    """One commit of files on the opened version of the table; new columns join its schema."""
    old = table.schema()
    known = {field.name for field in old.fields}
    new = Schema.from_arrow(pa.schema([field for field in schema if field.name not in known]))
    how: dict[str, Any] = {"mode": "append"}
    if new.fields:
        # The library takes further columns only where files are replaced: here, those of no line.
        how = {"mode": "overwrite", "partition_filters": [("line", "in", [])]}
    table.create_write_transaction(
        [*added, *removed],
        schema=Schema([*old.fields, *new.fields]),
        partition_by=["line"],
        commit_properties=alone(mark),
        **how,
    )


def alone(mark: str = "") -> CommitProperties:
    """Properties of a commit that succeeds only on the version from which it was made.

    The library would retry it on top of another commit; but a load decides which runs are new by
    comparing them with the version before it.
    """
    return CommitProperties(
        custom_metadata={"highside.format": str(FORMAT), MARK: mark}, max_commit_retries=0
    )
