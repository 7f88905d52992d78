"""Writes a site file: the commented template, or one from logs, from answers, or from both."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from optimizer.history.schema import fields_of
from optimizer.operations.proposing.draft import Draft
from optimizer.operations.proposing.proposal import Proposal, propose_site
from optimizer.operations.proposing.questions import Reply, answered, headings_answered
from optimizer.plant.site import Site
from optimizer.plant.template import refuse_existing, site_template, write_site_file


@dataclass(frozen=True)
class Initialized:
    """A site file that was written.

    Attributes:
        file: path of the file.
        draft: what the file says, where it is not the template.
        proposal: what the logs show, where there are logs.
    """

    file: Path
    draft: Draft | None = None
    proposal: Proposal | None = None

    def as_dict(self) -> dict[str, Any]:
        """The answer of ``init`` as JSON."""
        found: dict[str, Any] = {"schema": "highside.init/1", "file": str(self.file)}
        if self.proposal is not None:
            found |= self.proposal.as_dict()
        if self.draft is not None:
            found |= self.draft.as_dict()
        return found


def init(
    path: Path,
    logs: str | Path | Iterable[str | Path] = (),
    *,
    line: str | None = None,
    mapping: Mapping[str, str] | None = None,
    entries: Mapping[str, str] | None = None,
    reply: Reply | None = None,
    replace_file: bool = False,
) -> Initialized:
    """Write a site file.

    Args:
        path: path of the file.
        logs: logs from which the file is proposed; none for the template.
        line, mapping: see ``propose_site``.
        entries: entries of ``[site]`` that are known.
        reply: gives answers to questions; None to ask none.
        replace_file: whether a file that exists is replaced.

    Raises:
        InputError: when the file exists and is not to be replaced, or cannot be written; no log can
            be used; or the answers end before the questions do. Nothing is then written.
    """
    if not replace_file:
        refuse_existing(path)
    given = [logs] if isinstance(logs, str | Path) else list(logs)
    if not given and reply is None and not entries:
        write_site_file(path, site_template(), replace=replace_file)
        return Initialized(path)
    proposal = None
    draft = Draft({"name": "my plant", **(entries or {})})
    if given:
        how: dict[str, Any] = {"line": line, "mapping": mapping, "site": entries}
        proposal = propose_site(given, **how)
        draft = proposal.draft
        if reply is not None and draft.unread:
            fields = fields_of(Site.from_dict(tomllib.loads(draft.text)))
            more = headings_answered(draft, fields, reply)
            if more:
                proposal = propose_site(given, **how | {"mapping": {**(mapping or {}), **more}})
                draft = proposal.draft
    if reply is not None:
        draft = answered(draft, reply)
        proposal = None if proposal is None else replace(proposal, draft=draft)
    Site.from_dict(tomllib.loads(draft.text), str(path))
    write_site_file(path, draft.text, replace=replace_file)
    return Initialized(path, draft, proposal)
