"""A draft of the site file with which some logs load whole.

The headings are matched to fields by their words, and the units by what headings and cells state.
With these the logs are loaded into a history that is thrown away; the ranges and steps are those of
the runs that were accepted there. What the logs do not state is left open and said.
"""

from __future__ import annotations

import tempfile
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.errors import InputError
from optimizer.history.history import History
from optimizer.history.stored_units import StoredUnits
from optimizer.intake.settling.load import load_logs
from optimizer.operations.proposing.draft import Draft, DraftVariable
from optimizer.operations.proposing.matching import Matched, matched
from optimizer.operations.proposing.steps import shown_by
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.plant.units import as_typed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.intake.settling.load_report import LoadReport

    Floats = NDArray[np.float64]

_WIDEST = 1e9
_TILTS = ("end_raise", "side_tilt")
UNNAMED_LINE = "deck-1"
"""Name of the line of a log that names none."""


@dataclass(frozen=True)
class Proposal:
    """A proposed site.

    Attributes:
        draft: the draft of the site file.
        read, added, rejected: rows of the logs with this site file: read, accepted (as new runs or
            known ones), rejected.
        reasons: reasons of the first rejected rows.
    """

    draft: Draft
    read: int
    added: int
    rejected: int
    reasons: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """The proposal as JSON."""
        loads = {"read": self.read, "added": self.added, "rejected": self.rejected}
        return {**self.draft.as_dict(), "loads": {**loads, "reasons": list(self.reasons)}}


def propose_site(
    logs: str | Path | Iterable[str | Path],
    *,
    line: str | None = None,
    mapping: Mapping[str, str] | None = None,
    site: Mapping[str, str] | None = None,
) -> Proposal:
    """Propose a site file for logs.

    Args:
        logs: files, folders and patterns.
        line: name of the line of rows that name none.
        mapping: mapping from heading to ``field``, ``field [unit]`` or ``ignore``, which comes
            before what is guessed.
        site: entries of ``[site]`` that are known, such as ``date_order``.

    Raises:
        InputError: when no log can be read, or none of the rows could be a run; the message says
            what is missing.
    """
    paths = [logs] if isinstance(logs, str | Path) else list(logs)
    found = matched(paths, dict(mapping or {}))
    entries = {"name": "my plant", **(site or {})}
    lines = () if found.names_lines else (line or UNNAMED_LINE,)
    base = Draft(entries, columns=found.columns, lines=lines, open=found.open)
    base = replace(base, unread=found.unread)
    if not found.names_lines and line is None:
        base = _asked(base, "line", f"the log names no line; is '{UNNAMED_LINE}' its name?")
    wide = replace(base, settings=_wide_settings(found), material=_wide_material(found))
    with tempfile.TemporaryDirectory() as folder:
        history = History(Path(folder) / "first")
        plant = _site(wide)
        report = load_logs(paths, history, plant)
        # Logs of which some hold settings and others results are joined by time.
        joined = not report.added
        values = found.numbers if joined else _values_of(history.at().runs(), plant)
        draft = replace(
            wide,
            settings=tuple(_narrowed(s, values, plant, found) for s in wide.settings),
            material=tuple(_range_of(m, values) for m in wide.material),
        )
        second = History(Path(folder) / "second")
        final = load_logs(paths, second, _site(draft), samples=joined)
    if not final.added:
        raise _nothing(report)
    draft = _with_open_times(draft, report, joined)
    reasons = dict.fromkeys(r["reason"] for r in final.rejects)
    accepted = (final.readings if joined else final.added) or 0
    accepted += final.already_known
    return Proposal(draft, final.read, accepted, final.rejected, tuple(reasons)[:5])


def _site(draft: Draft) -> Site:
    return Site.from_dict(tomllib.loads(draft.text), "the proposed site file")


def _nothing(report: LoadReport) -> InputError:
    reasons = [file.error for file in report.files if file.error]
    reasons += [reject["reason"] for reject in report.rejects]
    said = next(iter(reasons), "there are no rows")
    return InputError(
        f"no site file can be proposed, since no row of the logs can be a run: {said}",
        code="nothing-to-propose",
        hint='Say what a heading means with --map "HEADING=field".',
    )


def _asked(draft: Draft, about: str, question: str) -> Draft:
    return replace(draft, open=(*draft.open, (about, question)))


def _wide_settings(found: Matched) -> tuple[DraftVariable, ...]:
    """The settings in the units of the log, with ranges that refuse nothing."""
    return tuple(
        DraftVariable(
            s.name,
            found.units.get(s.name, s.unit),
            -_WIDEST if s.name in _TILTS else 0.0,
            _WIDEST,
            _WIDEST / 100,
            found.gates.get(s.name),
        )
        for s in GRAVITY_TABLE.settings
    )


def _wide_material(found: Matched) -> tuple[DraftVariable, ...]:
    return tuple(
        DraftVariable(name, found.units.get(name, ""), *_ends(name, found))
        for name in found.material
    )


def _ends(name: str, found: Matched) -> tuple[float, float]:
    if name == FEED_GRADE:
        return 0.0, 100.0 if found.units.get(name) == "%" else 1.0
    return -_WIDEST, _WIDEST


def _values_of(runs: Any, plant: Site) -> dict[str, Floats]:
    """The numbers of each column of runs in the unit that the site declares, without gaps."""
    found = {}
    for name in (*plant.setting_names, *plant.material_names):
        stored = runs[name].to_numpy(zero_copy_only=False).astype(float)
        back = StoredUnits(plant).conversion(name, None).inverse
        found[name] = as_typed(np.asarray(back(stored[np.isfinite(stored)]), float))
    return found


def _narrowed(
    each: DraftVariable, shown_values: Mapping[str, Floats], plant: Site, found: Matched
) -> DraftVariable:
    """A setting with the range and the step that its numbers in the logs show."""
    usual = next(s for s in GRAVITY_TABLE.settings if s.name == each.name)
    columns = (each.name, *plant.setting_columns.gates.get(each.name, ()))
    values = np.concatenate([shown_values.get(name, np.zeros(0)) for name in columns])
    if each.name not in _TILTS:  # a number below 0 is a slip, which must not make the range
        values = values[values >= 0.0]
    if not len(values):
        same = each.unit == usual.unit
        low, high = (usual.low, usual.high) if same else (0.0, 100.0)
        note = "No run of the logs shows this setting: these numbers are a guess."
        step = usual.step if same else 1.0
        return replace(each, low=low, high=high, step=step, notes=(note,))
    said = shown_by(values, usual.step if each.unit == usual.unit else 1.0)
    low, high = float(f"{values.min():.6g}"), float(f"{values.max():.6g}")
    shown = f"{low:g} to {high:g} {each.unit}".rstrip()
    notes = [f"The logs show {shown}; widen the range to what the deck can be set to."]
    if said.single:
        notes = [f"The logs show {low:g} alone: write the range of the deck and its step."]
    elif said.scatter:
        notes.append("The numbers scatter as those of a sensor: write the step of the control.")
    else:
        notes.append("All are multiples of the step; write a smaller one if it can be made.")
    if each.name not in found.units:
        notes.append(f"The logs state no unit: is it {each.unit}?")
    return replace(each, low=said.low, high=said.high, step=said.step, notes=tuple(notes))


def _range_of(each: DraftVariable, shown_values: Mapping[str, Floats]) -> DraftVariable:
    """A material variable with the range that the logs show, and a fifth beyond."""
    if each.name == FEED_GRADE:
        return each
    values = shown_values.get(each.name, np.zeros(0))
    if not len(values):
        return replace(each, low=0.0, high=100.0, notes=("No run of the logs shows it.",))
    spread = 0.2 * float(values.max() - values.min())
    said = shown_by(np.array([values.min() - spread, values.max() + spread]), 1.0)
    low = max(0.0, said.low) if values.min() >= 0 else said.low
    high = min(100.0, said.high) if each.unit == "%" and values.max() <= 100 else said.high
    shown = f"{values.min():.6g} to {values.max():.6g} {each.unit}".rstrip()
    notes = [f"The logs show {shown}; rows outside the range are rejected."]
    if not each.unit:
        notes.append("The logs state no unit: write it here.")
    return replace(each, low=low, high=high, notes=tuple(notes))


def _with_open_times(draft: Draft, report: LoadReport, joined: bool) -> Draft:
    """The draft with what the times of the logs leave open."""
    reasons: Sequence[str] = [reject["reason"] for reject in report.rejects]
    if any("is a different day when the day comes first" in reason for reason in reasons):
        question = "some dates can mean two days; which comes first, the day or the month?"
        draft = _asked(draft, "date_order", question)
    if joined or any("looks like readings over time" in warning for warning in report.warnings):
        draft = _asked(draft, "rows", "these look like readings over time: load with --samples?")
    if "time_zone" not in draft.site:
        draft = _asked(draft, "time_zone", "where are the clocks of the plant? Now UTC is taken")
    return draft
