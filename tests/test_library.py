"""The library offers each command as one exported function, and a plan as a table."""

from __future__ import annotations

import ast
from importlib import import_module
from pathlib import Path

import pyarrow as pa
import pytest
from typer.main import get_command

import optimizer
from cli import main as cli
from cli.guide.pages import page
from optimizer import Brief, Site, diagnose, suggest
from optimizer.history.snapshot import Snapshot, snapshot_of

ROOT = Path(__file__).resolve().parents[1]
# The function that each command calls; only the command line has ``guide``.
FUNCTIONS = {
    "balance": {"balance", "plan_sampling"},
    "batch": {
        "batch",
        "batches",
        "close_batch",
        "reopen_trial",
        "skip_trial",
        "start_trial",
    },
    "compare": {"compare"},
    "correct": {"correct"},
    "demo": {"demo"},
    "diagnose": {"diagnose"},
    "history": {"changes_of", "restore", "verify", "verify_audit"},
    "init": {"init"},
    "load": {"load_corrections", "load_logs"},
    "record": {"record"},
    "report": {"report"},
    "serve": {"serve"},
    "site": {"check_site"},
    "token": {"named_tokens", "new_token", "revoke_token"},
    "withdraw": {"reinstate", "withdraw"},
    "suggest": {"issue", "suggest", "suggest_every_line"},
}


def test_every_command_has_its_function():
    assert set(get_command(cli.app).commands) == {*FUNCTIONS, "guide"}
    functions = {name for names in FUNCTIONS.values() for name in names}
    exported = {n for n in optimizer.__all__ if n[0].islower() and not n.startswith("_")}
    assert exported == functions | {"read_plan", "propose_site"}


@pytest.mark.parametrize("command", FUNCTIONS)
def test_a_command_calls_the_function_that_is_exported(command):
    (module,) = (ROOT / "cli/commands").rglob(f"{command}.py")
    tree = ast.parse(module.read_text(encoding="utf-8"))
    imported = {
        getattr(import_module(node.module), alias.name, None)
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module.startswith("optimizer.")
        for alias in node.names
        if alias.name in optimizer.__all__
    }
    assert {getattr(optimizer, name) for name in FUNCTIONS[command]} <= imported


@pytest.mark.parametrize("name", [n for n in optimizer.__all__ if n != "__version__"])
def test_every_exported_name_exists_with_a_docstring_and_in_the_guide(name):
    found = getattr(optimizer, name)
    assert found.__doc__
    unnamed = ("Particulate", "PlanFile", "Prices", "Snapshot", "read_plan")
    assert name in page("python").text or name in unnamed


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="has no attribute 'sugest'"):
        optimizer.sugest  # noqa: B018
    assert "suggest" in dir(optimizer)


def test_a_function_accepts_a_history_a_snapshot_or_a_table(season_table, small_plans):
    snapshot = Snapshot.of_table(season_table)

    class Held:
        def at(self, version=None):
            assert version is None
            return snapshot

    assert snapshot_of(snapshot) is snapshot
    assert snapshot_of(Held()) is snapshot
    brief = Brief.from_dict({"trials": {"count": 1}, "goal": {"min_grade": 0.98}})
    plans = {str(suggest(s, Site(), brief).as_dict()) for s in (snapshot, Held(), season_table)}
    assert len(plans) == 1
    found = [diagnose(source, Site()).as_dict() for source in (Held(), season_table)]
    assert found[0] == found[1]


def test_a_plan_is_rows_and_a_table(season_table, small_plans):
    plan = suggest(season_table, Site(), Brief.from_dict({"trials": {"count": 2}}))
    rows, table = plan.rows(), plan.table()
    assert isinstance(table, pa.Table)
    assert table.to_pylist() == rows
    assert [row["rank"] for row in rows] == [1, 2]
    first = plan.as_dict()["recommendations"][0]
    assert rows[0]["air"] == first["settings"]["air"]
    assert rows[0]["grade_low"] == first["grade"]["low"]
