"""A look at a log before it is loaded: what is understood, and what a load would do."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from optimizer.errors import InputError
from optimizer.intake.checking.times import means_two_days
from optimizer.intake.formats.understood import Understood, understood_logs
from optimizer.intake.settling.load import load_file
from optimizer.intake.settling.load_options import DEFAULTS, LoadOptions
from optimizer.intake.settling.load_report import LoadReport
from optimizer.intake.settling.log_files import LogFile
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from optimizer.history.history import History


@dataclass(frozen=True)
class Preview:
    """What a load of one file would do.

    Attributes:
        logs: what each log of the file is understood as, without the logs that no option chose.
        report: the report of a load that writes nothing.
        two_days: whether a row is rejected because its date can mean two days.
    """

    logs: tuple[Understood, ...]
    report: LoadReport
    two_days: bool

    def as_dict(self) -> dict[str, Any]:
        """The preview as JSON."""
        return {
            "logs": [asdict(log) for log in self.logs],
            "report": self.report.as_dict(),
            "two_days": self.two_days,
        }


def preview(
    file: LogFile,
    history: History,
    site: Site,
    *,
    options: LoadOptions = DEFAULTS,
    most_rows: int = 200,
) -> Preview:
    """Look at a file before it is loaded, however its logs are read; nothing is stored.

    Args:
        file: the file; one that is open must be seekable.
        history: history to which its runs would be added.
        site: the plant.
        options: options of the load.
        most_rows: largest number of rejected rows, and of rows with a question, whose cells are
            returned.

    Raises:
        InputError: when a heading is mapped to an unknown field.
        HistoryError: when the history is damaged.
    """
    report = load_file(file, history, site, options=replace(options, dry_run=True))
    asked = [(reject["file"], reject["row"]) for reject in report.rejects[:most_rows]]
    asked += [(question.file, question.row) for question in report.questions[:most_rows]]
    try:
        logs = understood_logs(file.logs, site, options.mapping, options.edits, asked)
    except InputError:
        logs = ()  # the report tells why
    two_days = any(means_two_days(reject["reason"]) for reject in report.rejects)
    return Preview(logs, report, two_days)
