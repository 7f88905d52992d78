"""Commits of the table: which files a commit adds and removes, and on which version.

The table library writes a commit with a conditional put, which succeeds only on the version from
which the commit was made. A commit is never retried on another version.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import pyarrow as pa
from deltalake import CommitProperties, DeltaTable, Schema
from deltalake.transaction import AddAction, RemoveAction, create_table_with_add_actions

FORMAT = 1
"""Version of the table's columns and units; a higher one was written by a newer highside."""
FORMAT_KEY = "highside.format="
MARK = "highside.commit"
"""Key in a commit's metadata that identifies the write that made the commit."""
# Old versions are kept, so that a plan can be reproduced years later.
_CONFIGURATION = {"delta.enableExpiredLogCleanup": "false"}
_NAME = "highside run history"
NOTHING_NOTED: Mapping[str, str] = MappingProxyType({})


def create(
    uri: str,
    schema: pa.Schema,
    added: list[AddAction],
    mark: str,
    noted: Mapping[str, str] = NOTHING_NOTED,
) -> None:
    """Creates a table with its first commit.

    Args:
        uri: location of the table.
        schema: columns of the table.
        added: data files of the commit.
        mark: identifies the write in the commit's metadata.
        noted: further metadata of the commit (see ``event_log``).

    Raises:
        deltalake.exceptions.DeltaError, OSError: when the commit cannot be written.
    """
    create_table_with_add_actions(
        uri,
        Schema.from_arrow(schema),
        added,
        mode="error",
        partition_by=["line"],
        name=_NAME,
        description=f"{FORMAT_KEY}{FORMAT}",
        configuration=_CONFIGURATION,
        commit_properties=alone(mark, noted),
    )


def append(
    table: DeltaTable,
    schema: pa.Schema,
    added: list[AddAction],
    mark: str = "",
    removed: Sequence[RemoveAction] = (),
    noted: Mapping[str, str] = NOTHING_NOTED,
) -> None:
    """Commits added and removed files on the opened version of a table.

    Args:
        table: opened at the version that the commit follows.
        schema: columns of the added files; columns that the table lacks are added to it, unless
            files are removed (see ``declare``).
        added: data files to add.
        mark: identifies the write in the commit's metadata.
        removed: data files that are no longer part of the table.
        noted: further metadata of the commit (see ``event_log``).

    Raises:
        deltalake.exceptions.DeltaError, OSError: when the commit cannot be written.
    """
    old, new = table.schema(), _new_columns(table, schema)
    how: dict[str, Any] = {"mode": "append"}
    if new.fields:
        # The library accepts new columns only when files are replaced; this filter replaces none.
        how = {"mode": "overwrite", "partition_filters": [("line", "in", [])]}
    table.create_write_transaction(
        [*added, *removed],
        schema=Schema([*old.fields, *new.fields]),
        partition_by=["line"],
        commit_properties=alone(mark, noted),
        **how,
    )


def declare(table: DeltaTable, schema: pa.Schema, noted: Mapping[str, str]) -> bool:
    """Adds the columns that a table lacks in a commit of their own, without files.

    The library cannot add columns and remove files in one commit.

    Returns:
        Whether there was a column to add, and so a commit; the table stays open before it.

    Raises:
        deltalake.exceptions.DeltaError, OSError: when the commit cannot be written.
    """
    if not _new_columns(table, schema).fields:
        return False
    append(table, schema, [], noted=noted)
    return True


def _new_columns(table: DeltaTable, schema: pa.Schema) -> Schema:
    """The columns of a schema that a table lacks."""
    known = {field.name for field in table.schema().fields}
    return Schema.from_arrow(pa.schema([field for field in schema if field.name not in known]))


def alone(mark: str = "", noted: Mapping[str, str] = NOTHING_NOTED) -> CommitProperties:
    """Properties of a commit that succeeds only on the version from which it was made.

    By default the library would retry the commit on top of another one. That would be wrong: a load
    compares its runs with one version to decide which of them are new.
    """
    return CommitProperties(
        custom_metadata={"highside.format": str(FORMAT), MARK: mark, **noted},
        max_commit_retries=0,
    )
