"""A plan in the making becomes files: the report, and the trial sheet in the forms asked for.

In comes a ``Situation``; out come an HTML page and sheets (``.pdf``, ``.html``, ``.csv``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from threadpoolctl import threadpool_limits

from optimizer.diagnostics.calibration import calibrate, pooled
from optimizer.diagnostics.diagnosis import diagnose
from optimizer.errors import InputError
from optimizer.evidence.line_model import LineModel
from optimizer.files import write_whole
from optimizer.landscape import Landscape, landscape
from optimizer.planning.plan import Plan
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import Situation
from optimizer.report.page import report_html
from optimizer.report.pages import sheet_html
from optimizer.report.sheet import Sheet, make_sheet
from optimizer.report.sheet_csv import sheet_csv
from optimizer.report.sheet_pdf import sheet_pdf
from optimizer.report.texts import DEFAULT_LANGUAGE
from optimizer.version import __version__

# Longer histories are only calibrated: to go through each of their runs takes a minute.
MOST_DIAGNOSED = 50_000
SHEETS = (".pdf", ".html", ".csv")


@dataclass(frozen=True)
class Written:
    """What was written, and from which plan."""

    report: Path
    sheets: tuple[Path, ...]
    plan: Plan

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.report/1`` document."""
        return {
            "schema": "highside.report/1",
            "report": str(self.report),
            "sheets": [str(sheet) for sheet in self.sheets],
            "plan": self.plan.as_dict(),
        }


@dataclass(frozen=True)
class Look:
    """A plan with all that is shown around it, as documents."""

    plan: Plan
    landscape: Landscape
    diagnosis: dict[str, Any] | None

    def page(self, **form: Any) -> str:
        """The report; ``form`` as for ``report.page.report_html``."""
        return report_html(
            self.plan.as_dict(),
            self.landscape.as_dict(),
            diagnosis=self.diagnosis,
            version=__version__,
            **form,
        )

    def sheet(self, language: str = DEFAULT_LANGUAGE) -> Sheet:
        """The trial sheet."""
        return make_sheet(self.plan.as_dict(), self.landscape.today.as_dict(), language)


def look(situation: Situation) -> Look:
    """Plan, and look around the plan.

    Raises:
        LimitError: when the limits leave nothing to recommend.
    """
    plan = plan_of(situation)
    situation.progress("looking around the plan")
    return Look(plan, landscape(situation, plan), _diagnosis(situation, plan))


def write_report(
    situation: Situation,
    out: Path,
    sheets: Sequence[Path] = (),
    *,
    paper: str = "a4",
    language: str = DEFAULT_LANGUAGE,
    command: str = "",
    comparison: dict[str, Any] | None = None,
) -> Written:
    """Plan, look around the plan, and write it down.

    Args:
        situation: from ``situation_of``.
        out: the HTML page.
        sheets: trial sheets, their form by suffix.
        paper: of the sheets, ``a4`` or ``letter``.
        language: of the words.
        command: that makes the page again, for the page.
        comparison: a ``highside.comparison/1`` document to show as well, or None.

    Raises:
        InputError: when a sheet has another suffix, or a file cannot be written.
        LimitError: when the limits leave nothing to recommend.
    """
    for path in sheets:
        if path.suffix not in SHEETS:
            raise InputError(f"--sheet {path}: expected a name ending in {', '.join(SHEETS)}.")
    found = look(situation)
    sheet = found.sheet(language)
    page = found.page(command=command, paper=paper, language=language, comparison=comparison)
    write_whole(out, page.encode())
    for path in sheets:
        if path.suffix == ".pdf":
            write_whole(path, sheet_pdf(sheet, paper))
        elif path.suffix == ".html":
            write_whole(path, sheet_html(sheet, paper, language).encode())
        else:
            write_whole(path, sheet_csv(found.plan.as_dict()).encode("utf-8-sig"))
    return Written(out, tuple(sheets), found.plan)


def _diagnosis(situation: Situation, plan: Plan) -> dict[str, Any] | None:
    """What the history says of the line, None where it is too short to say anything."""
    if plan.run_now is None or plan.line is None:
        return None
    situation.progress("checking what the history can tell")
    if len(situation.evidence.grade) > MOST_DIAGNOSED:
        model = LineModel(situation.evidence.alone(), situation.seed, situation.surrogate)
        with threadpool_limits(1):
            calibration = pooled([calibrate(model, situation.min_grade)])
        return {"calibration": calibration.as_dict(), "sensitivity": []}
    brief = situation.brief.model_copy(
        update={
            "line": plan.line,
            "goal": situation.brief.goal.model_copy(update={"min_grade": plan.min_grade}),
        }
    )
    with threadpool_limits(1):
        found = diagnose(situation.snapshot, situation.site, brief, seed=situation.seed).as_dict()
    return found if found["lines"] else None
