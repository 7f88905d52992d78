"""The draft of a site file, and its text with comments."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.template import HEAD, SITE_LINES, TAIL


@dataclass(frozen=True)
class DraftVariable:
    """A setting or a material variable of a draft.

    Attributes:
        name, unit, low, high: as the site file states them.
        step: smallest change of a setting; None for a material variable.
        gates: number of gates at which a setting is set in turn; None for one control.
        notes: sentences that stand above it as comments.
    """

    name: str
    unit: str
    low: float
    high: float
    step: float | None = None
    gates: int | None = None
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The fields that the site file states."""
        found = {"unit": self.unit, "low": self.low, "high": self.high}
        found |= {"step": self.step} if self.step is not None else {}
        return found | ({"gates": self.gates} if self.gates else {})


@dataclass(frozen=True)
class Draft:
    """What a site file is to say.

    Attributes:
        site: entries of ``[site]``.
        settings, material: settings and material variables.
        columns: mapping from heading to field.
        lines: lines to name.
        unread: headings of columns that mean no field, and some of their cells.
        open: what no log tells, as pairs of what it is about and a question.
    """

    site: Mapping[str, str] = field(default_factory=lambda: {"name": "my plant"})
    settings: tuple[DraftVariable, ...] = tuple(
        DraftVariable(s.name, s.unit, s.low, s.high, s.step) for s in GRAVITY_TABLE.settings
    )
    material: tuple[DraftVariable, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)
    lines: tuple[str, ...] = ()
    unread: Mapping[str, str] = field(default_factory=dict)
    open: tuple[tuple[str, str], ...] = ()

    @property
    def text(self) -> str:
        """The text of the site file."""
        parts = [HEAD, "[site]"]
        parts += [f"{key} = {_text(value)}" for key, value in self.site.items()]
        parts += [line for key, line in SITE_LINES.items() if key not in self.site]
        for room, variables in (("settings", self.settings), ("material", self.material)):
            for each in variables:
                parts += [
                    "",
                    *(f"# {_comment(note)}" for note in each.notes),
                    f"[{room}.{each.name}]",
                ]
                parts += [f"{key} = {_text(value)}" for key, value in each.as_dict().items()]
        if self.columns or self.unread:
            parts += ["", "# Headings of your logs and what they mean.", "[columns]"]
            parts += [f"{_text(k)} = {_text(v)}" for k, v in self.columns.items()]
            parts += [
                f'# {_text(k)} = "?"   # not read: {_comment(v)}' for k, v in self.unread.items()
            ]
        for line in self.lines:
            parts += ["", f"[lines.{_text(line)}]"]
        if self.open:
            parts += ["", "# What the logs do not tell:"]
            parts += [f"# - {_comment(about)}: {_comment(asked)}" for about, asked in self.open]
        return "\n".join(parts) + "\n" + TAIL

    def as_dict(self) -> dict[str, Any]:
        """The draft as JSON."""
        return {
            "site": dict(self.site),
            "settings": [{"name": s.name, **s.as_dict()} for s in self.settings],
            "material": [{"name": m.name, **m.as_dict()} for m in self.material],
            "columns": dict(self.columns),
            "lines": list(self.lines),
            "unread": dict(self.unread),
            "open": [{"about": about, "question": question} for about, question in self.open],
        }


def _comment(text: str) -> str:
    """A text on one line, without characters that a comment of TOML must not hold."""
    return "".join(c if c.isprintable() else " " for c in text)


def _text(value: str | float) -> str:
    """A value as TOML; texts are written as JSON writes them, which TOML reads alike."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return str(int(value)) if float(value).is_integer() else f"{value:.10g}"
