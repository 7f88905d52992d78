"""highside: learns from a deck's own runs which settings to try next.

Each command is a function here, with the command's own words, beside the records that the functions
take and give. Names are resolved on first use, so that importing the package loads nothing heavy.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from optimizer.version import __version__

if TYPE_CHECKING:
    from optimizer.campaign import Batch, Batches
    from optimizer.comparison import Comparison, ComparisonRequest, Prices, compare
    from optimizer.diagnostics.diagnosis import diagnose
    from optimizer.diagnostics.record import Diagnosis
    from optimizer.errors import (
        HighsideError,
        HistoryError,
        InputError,
        LimitError,
        QuestionError,
    )
    from optimizer.history.changes import Changes, changes_of
    from optimizer.history.history import History
    from optimizer.history.snapshot import Snapshot
    from optimizer.history.upkeep import restore, verify
    from optimizer.intake.settling.load import LoadReport, load_corrections, load_logs
    from optimizer.operations.balancing.balance import Balanced, balance
    from optimizer.operations.balancing.sampling_plan import (
        Particulate,
        SamplingPlan,
        plan_sampling,
    )
    from optimizer.operations.batches import (
        batch,
        batches,
        close_batch,
        reopen_trial,
        skip_trial,
        start_trial,
    )
    from optimizer.operations.corrections import correct, reinstate, withdraw
    from optimizer.operations.demo import Demo, demo
    from optimizer.operations.every_line import Plans, suggest_every_line
    from optimizer.operations.issuing import issue
    from optimizer.operations.plan_file import PlanFile, read_plan
    from optimizer.operations.proposing.initializing import init
    from optimizer.operations.proposing.proposal import propose_site
    from optimizer.operations.recording import Recorded, record
    from optimizer.operations.reporting import ReportFiles, WrittenReport, report
    from optimizer.operations.site_check import SiteCheck, check_site
    from optimizer.planning.plan import Plan
    from optimizer.planning.planner import suggest
    from optimizer.plant.brief import Brief
    from optimizer.plant.site import Site
    from optimizer.service.admission.token_changes import (
        NamedTokens,
        NewToken,
        named_tokens,
        new_token,
        revoke_token,
    )
    from optimizer.service.exchange.configuration import Configuration
    from optimizer.service.http.server import Listening, serve
    from optimizer.service.recording.audit_chain import TrailHealth, verify_audit

_HOMES = {
    "campaign": ("Batch", "Batches"),
    "comparison": ("Comparison", "ComparisonRequest", "Prices", "compare"),
    "diagnostics.diagnosis": ("diagnose",),
    "diagnostics.record": ("Diagnosis",),
    "history.changes": ("Changes", "changes_of"),
    "errors": ("HighsideError", "HistoryError", "InputError", "LimitError", "QuestionError"),
    "history.history": ("History",),
    "history.snapshot": ("Snapshot",),
    "history.upkeep": ("restore", "verify"),
    "intake.settling.load": ("LoadReport", "load_corrections", "load_logs"),
    "operations.balancing.balance": ("Balanced", "balance"),
    "operations.corrections": ("correct", "reinstate", "withdraw"),
    "operations.batches": (
        "batch",
        "batches",
        "close_batch",
        "reopen_trial",
        "skip_trial",
        "start_trial",
    ),
    "operations.demo": ("Demo", "demo"),
    "operations.every_line": ("Plans", "suggest_every_line"),
    "operations.issuing": ("issue",),
    "operations.plan_file": ("PlanFile", "read_plan"),
    "operations.recording": ("Recorded", "record"),
    "operations.reporting": ("ReportFiles", "WrittenReport", "report"),
    "operations.balancing.sampling_plan": ("Particulate", "SamplingPlan", "plan_sampling"),
    "operations.site_check": ("SiteCheck", "check_site"),
    "planning.plan": ("Plan",),
    "planning.planner": ("suggest",),
    "plant.brief": ("Brief",),
    "plant.site": ("Site",),
    "operations.proposing.initializing": ("init",),
    "operations.proposing.proposal": ("propose_site",),
    "service.admission.token_changes": (
        "NamedTokens",
        "NewToken",
        "named_tokens",
        "new_token",
        "revoke_token",
    ),
    "service.exchange.configuration": ("Configuration",),
    "service.http.server": ("Listening", "serve"),
    "service.recording.audit_chain": ("TrailHealth", "verify_audit"),
}
_HOME = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Balanced",
    "Batch",
    "Batches",
    "Brief",
    "Changes",
    "Comparison",
    "ComparisonRequest",
    "Configuration",
    "Demo",
    "Diagnosis",
    "HighsideError",
    "History",
    "HistoryError",
    "InputError",
    "LimitError",
    "Listening",
    "LoadReport",
    "NamedTokens",
    "NewToken",
    "Particulate",
    "Plan",
    "PlanFile",
    "Plans",
    "Prices",
    "QuestionError",
    "Recorded",
    "ReportFiles",
    "SamplingPlan",
    "Site",
    "SiteCheck",
    "Snapshot",
    "TrailHealth",
    "WrittenReport",
    "__version__",
    "balance",
    "batch",
    "batches",
    "changes_of",
    "check_site",
    "close_batch",
    "compare",
    "correct",
    "demo",
    "diagnose",
    "init",
    "issue",
    "load_corrections",
    "load_logs",
    "named_tokens",
    "new_token",
    "plan_sampling",
    "propose_site",
    "read_plan",
    "record",
    "reinstate",
    "reopen_trial",
    "report",
    "restore",
    "revoke_token",
    "serve",
    "skip_trial",
    "start_trial",
    "suggest",
    "suggest_every_line",
    "verify",
    "verify_audit",
    "withdraw",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'optimizer' has no attribute '{name}'")
    return getattr(import_module(f"optimizer.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
