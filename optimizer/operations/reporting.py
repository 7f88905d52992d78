"""The command ``report``: makes a plan, a page on which to decide, and trial sheets for the deck.

In come a snapshot of the history and a brief; out come an HTML page and sheets (``.pdf``,
``.html``, ``.csv``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from threadpoolctl import threadpool_limits

from optimizer.campaign import Batches, batches_of
from optimizer.comparison import Comparison, ComparisonRequest, compare
from optimizer.diagnostics.calibration import PooledCalibration, calibrate, pooled
from optimizer.diagnostics.diagnosis import diagnose_line
from optimizer.diagnostics.record import Diagnosis
from optimizer.errors import InputError
from optimizer.evidence.fitting import is_exact_fit
from optimizer.evidence.line_model import LineModel
from optimizer.files import write_whole
from optimizer.history.issued import issued_batches
from optimizer.history.snapshot import snapshot_of
from optimizer.landscape import Landscape, landscape
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.planning.plan import Plan
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import Situation, situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.presentation.page import report_html
from optimizer.presentation.pages import sheet_html
from optimizer.presentation.pdf_drawing import PAPERS
from optimizer.presentation.sheet import SHEETS, Sheet, make_sheet
from optimizer.presentation.sheet_csv import sheet_csv
from optimizer.presentation.sheet_pdf import sheet_pdf
from optimizer.text.sentences import sentence
from optimizer.text.words import ENGLISH, Words
from optimizer.version import __version__

if TYPE_CHECKING:
    from optimizer.history.snapshot import Source

# For a line with more runs than this, only the calibration is computed: a full diagnosis goes
# through each run and takes a minute.
MOST_DIAGNOSED = 50_000
NO_BATCHES = Batches((), ())


@dataclass(frozen=True)
class ReportFiles:
    """The files to write, and their form.

    Args:
        out: path of the HTML page.
        sheets: paths of the trial sheets, which end in ``.pdf``, ``.html`` or ``.csv``.
        paper: paper of the sheets, ``a4`` or ``letter``.
        language: language of the texts; None for that of the site file.
        command: the command that makes the page again; the page shows it.

    Raises:
        InputError: when a sheet has another suffix, or the paper is another one.
    """

    out: Path
    sheets: tuple[Path, ...] = ()
    paper: str = "a4"
    language: str | None = None
    command: str = ""

    def __post_init__(self) -> None:
        if self.paper not in PAPERS:
            raise InputError(f"--paper {self.paper}: expected {' or '.join(PAPERS)}.")
        for path in self.sheets:
            if path.suffix not in SHEETS:
                raise InputError(f"--sheet {path}: expected a name ending in {', '.join(SHEETS)}.")


@dataclass(frozen=True)
class WrittenReport:
    """The paths of the written report and sheets, and the plan that they show."""

    report: Path
    sheets: tuple[Path, ...]
    plan: Plan

    def as_dict(self) -> dict[str, object]:
        """The ``highside.report/1`` document."""
        return {
            "schema": "highside.report/1",
            "report": str(self.report),
            "sheets": [str(sheet) for sheet in self.sheets],
            "plan": self.plan.as_dict(),
        }


@dataclass(frozen=True)
class Review:
    """A plan, with everything else that a report shows.

    Attributes:
        plan: the plan.
        landscape: predictions and runs around the plan.
        diagnosis: diagnosis of the plan's line; for a long history only its calibration, and None
            for a short one.
        batches: the issued batches of the plan's line; there may be none.
    """

    plan: Plan
    landscape: Landscape
    diagnosis: Diagnosis | PooledCalibration | None
    batches: Batches = NO_BATCHES

    def diagnosis_document(self) -> dict[str, Any] | None:
        """The diagnosis as the document that the page expects; None when there is none."""
        if isinstance(self.diagnosis, PooledCalibration):
            return {"calibration": self.diagnosis.as_dict(), "sensitivity": []}
        return None if self.diagnosis is None else self.diagnosis.as_dict()

    def page(
        self,
        *,
        command: str = "",
        paper: str = "a4",
        words: Words = ENGLISH,
        comparison: Comparison | None = None,
    ) -> str:
        """The report as an HTML page; see ``presentation.page.report_html``."""
        return report_html(
            self.plan.as_dict(),
            self.landscape.as_dict()
            | {"batches": [each.as_dict() for each in self.batches.lessons]},
            diagnosis=self.diagnosis_document(),
            comparison=None if comparison is None else comparison.as_dict(),
            command=command,
            version=__version__,
            paper=paper,
            words=words,
        )

    def sheet(self, words: Words = ENGLISH) -> Sheet:
        """The content of the trial sheet."""
        return make_sheet(self.plan.as_dict(), self.landscape.today.as_dict(), words)


def report(
    history: Source,
    site: Site,
    brief: Brief,
    files: ReportFiles,
    *,
    compared: ComparisonRequest | bool = False,
    seed: int = 0,
    progress: Callable[[str], None] | None = None,
) -> WrittenReport:
    """Makes a plan, reviews it, and writes the page and the sheets.

    Args:
        history: the history, whose latest version is used; or one version of it (``History.at``);
            or its runs as a table in the site's units.
        site: the plant.
        brief: today's material, grade and limits.
        files: the files to write, and their form.
        compared: whether the page also compares all lines, as ``compare`` does, or what of it.
            Where the lines are anonymous there, the rest of the page still names its own line.
        seed: seed of all random draws.
        progress: called with a line of text at each stage.

    Raises:
        InputError: when the brief names something that the site lacks, or a file cannot be written.
        LimitError: when the limits leave nothing to recommend.
        HistoryError: when the history cannot be read.
    """
    snapshot = snapshot_of(history, site)
    situation = situation_of(snapshot, site, brief, seed=seed, progress=progress)
    comparison = None
    if compared:
        request = ComparisonRequest() if compared is True else compared
        every_line = brief.model_copy(update={"line": None})
        comparison = compare(snapshot, site, every_line, request, seed=seed, progress=progress)
    return write_report(situation, files, comparison)


def review(situation: Situation) -> Review:
    """Makes the plan of a situation, and everything else that a report shows.

    Raises:
        LimitError: when the limits leave nothing to recommend.
    """
    plan = plan_of(situation)
    situation.progress(sentence("stage_reviewing"))
    found = landscape(situation, plan), diagnosis_of(situation, plan)
    return Review(plan, *found, line_batches(situation, plan))


def write_report(
    situation: Situation, files: ReportFiles, comparison: Comparison | None = None
) -> WrittenReport:
    """Makes the plan of a situation and writes the page and the sheets.

    Args:
        situation: the situation from which the plan is made.
        files: the files to write, and their form.
        comparison: a comparison of all lines, which the page shows, too; may be None.

    Raises:
        InputError: when a file cannot be written, or there are no texts in the language.
        LimitError: when the limits leave nothing to recommend.
    """
    words = situation.site.words_in(files.language)
    found = review(situation)
    sheet = found.sheet(words)
    page = found.page(command=files.command, paper=files.paper, words=words, comparison=comparison)
    write_whole(files.out, page.encode())
    for path in files.sheets:
        if path.suffix == ".pdf":
            write_whole(path, sheet_pdf(sheet, files.paper))
        elif path.suffix == ".html":
            write_whole(path, sheet_html(sheet, files.paper).encode())
        else:
            write_whole(path, sheet_csv(found.plan.as_dict()).encode("utf-8-sig"))
    return WrittenReport(files.out, files.sheets, found.plan)


def line_batches(situation: Situation, plan: Plan) -> Batches:
    """The issued batches of the plan's line."""
    if plan.line is None or not situation.under_way.issued:
        return NO_BATCHES
    issued = issued_batches(situation.snapshot, situation.site, plan.line)
    return batches_of(issued, situation.site)


def diagnosis_of(situation: Situation, plan: Plan) -> Diagnosis | PooledCalibration | None:
    """The diagnosis of the plan's line, or only its calibration if the line has many runs.

    None when there are too few runs.
    """
    if plan.run_now is None or plan.line is None:
        return None
    situation.progress(sentence("stage_checking"))
    if len(situation.evidence.grade) > MOST_DIAGNOSED:
        model = LineModel(situation.evidence.alone(), situation.seed, situation.surrogate)
        with threadpool_limits(1):
            return pooled([calibrate(model, situation.min_grade)])
    snapshot, seed = situation.snapshot, situation.seed
    goal = situation.brief.goal.model_copy(update={"min_grade": plan.min_grade})
    brief = situation.brief.model_copy(update={"line": plan.line, "goal": goal})
    # A diagnosis uses an exact fit; the plan's is one as long as its points are few.
    e = situation.evidence
    points, _ = distinct_rows(e.inputs[e.measured])
    fitted = situation.surrogate if is_exact_fit(len(points)) else None
    with threadpool_limits(1):
        runs = snapshot.runs(situation.site, [plan.line])
        found = diagnose_line(runs, situation.site, brief, seed, fitted)
    return None if isinstance(found, str) else Diagnosis((found,), (), seed, snapshot.version)
