"""The command ``demo``: loads the logs of the bundled season, makes a plan and writes its report.

The season is invented (see ``datasets/README.md``): one harvest at a green-coffee dry mill with
three decks.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from optimizer.errors import InputError, reason_of
from optimizer.files import write_whole
from optimizer.history.history import History
from optimizer.history.summary import HistorySummary
from optimizer.intake.settling.load import LoadReport, load_logs
from optimizer.operations.reporting import ReportFiles, report
from optimizer.planning.plan import Plan
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site

LOGS = ("deck-1.csv", "deck-2.csv", "deck-3.parquet")
SITE, BRIEF, PLAN = "site.toml", "brief.toml", "plan.json"
REPORT, SHEETS = "report.html", ("sheet.pdf", "sheet.csv")
COMMAND = "highside report --brief brief.toml --sheet sheet.pdf --sheet sheet.csv"


@dataclass(frozen=True)
class Demo:
    """The files and results of the demo.

    Attributes:
        folder: the folder that contains all files.
        load: result of loading the logs.
        history: summary of the history.
        plan: the plan, which is also in ``plan.json``.
        report, sheets: paths of the report and of the trial sheets.
    """

    folder: Path
    load: LoadReport
    history: HistorySummary
    plan: Plan
    report: Path
    sheets: tuple[Path, ...]

    def as_dict(self) -> dict[str, object]:
        """The ``highside.demo/1`` document."""
        return {
            "schema": "highside.demo/1",
            "folder": str(self.folder),
            "load": self.load.as_dict(),
            "history": self.history.as_dict(),
            "plan": self.plan.as_dict(),
            "report": str(self.report),
            "sheets": [str(sheet) for sheet in self.sheets],
        }


def season_folder() -> Path:
    """The folder of the bundled season, in the installed package or in the checkout.

    Raises:
        InputError: when neither contains the season.
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "demo_season", package.parent / "datasets" / "season"):
        if (folder / SITE).is_file():
            return folder
    raise InputError(
        "the bundled season is not installed.", hint="Install highside again from its checkout."
    )


def load_season(history: History, site_file: Path) -> LoadReport:
    """Writes the site file of the bundled season and loads its logs into a history.

    Args:
        history: the history, which should be empty.
        site_file: path of the site file, which is written first, so that a load that was
            interrupted can be made again.

    Raises:
        InputError: when the season is not installed, or the site file cannot be written.
        HistoryError: when the history cannot be written.
    """
    folder = season_folder()
    write_whole(site_file, season_site())
    logs = [folder / name for name in LOGS]
    return load_logs(logs, history, Site.read(site_file))


def season_site() -> bytes:
    """The site file of the bundled season.

    Raises:
        InputError: when the season is not installed.
    """
    return (season_folder() / SITE).read_bytes()


def demo(
    out: str | Path = "highside-demo",
    *,
    seed: int = 0,
    progress: Callable[[str], None] | None = None,
) -> Demo:
    """Copies the season into a folder, loads its logs, makes a plan and writes a report there.

    Args:
        out: the folder, which is made if it does not exist. Running the demo again in the same
            folder adds no run twice.
        seed: seed of the plan.
        progress: called with a line of text at each stage.

    Raises:
        InputError: when the folder cannot be written.
    """
    folder = Path(out)
    _copy_season(folder)
    site = Site.read(folder / SITE)
    history = History(folder / "history")
    if progress is not None:
        progress("loading the season's logs")
    load = load_logs([folder / name for name in LOGS], history, site)
    snapshot = history.at()
    files = ReportFiles(folder / REPORT, tuple(folder / name for name in SHEETS), command=COMMAND)
    written = report(
        snapshot, site, Brief.read(folder / BRIEF), files, seed=seed, progress=progress
    )
    summary = snapshot.summary(site)
    found = Demo(folder, load, summary, written.plan, written.report, written.sheets)
    write_whole(folder / PLAN, json.dumps(found.plan.as_dict(), indent=1).encode())
    return found


def _copy_season(folder: Path) -> None:
    """Copies the season's logs, site file and brief to a folder.

    Raises:
        InputError: when the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in (*LOGS, SITE, BRIEF):
            shutil.copyfile(season_folder() / name, folder / name)
    except OSError as error:
        raise InputError(
            f"the demo cannot write to '{folder}': {reason_of(error)}.",
            hint="Choose a folder with --out.",
        ) from None
