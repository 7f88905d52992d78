"""Every log of the corpus gives exactly the results that ``corpus/cases.toml`` lists."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path
from typing import Any

import pytest

from optimizer.history.history import History
from optimizer.intake.settling.load import load_logs
from optimizer.plant.site import Site
from tests.corpus.build import BUILT, FILES

CASES = tomllib.loads((FILES.parent / "cases.toml").read_text(encoding="utf-8"))["case"]


def log_of(case: dict[str, Any], folder: Path) -> Path:
    """Path of the log of a case; a built log is written to ``folder``."""
    if "file" in case:
        return FILES / case["file"]
    name, build = BUILT[case["built"]]
    path = folder / name
    path.write_bytes(build())
    return path


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_log_of_the_corpus(case: dict[str, Any], tmp_path: Path) -> None:
    path, history = log_of(case, tmp_path), History(tmp_path / "history")
    options = {"line": case.get("line"), "mapping": case.get("map")}
    site = Site.from_dict(case["site"]) if "site" in case else None
    report = load_logs(path, history, site, samples=case.get("samples", False), **options)
    told = {k: getattr(report, k) for k in ("read", "added", "already_known", "rejected")}
    assert told == {k: case[k] for k in told}, report.as_dict()
    assert report.readings == case.get("readings")
    rows = [r for r in report.rejects if r["row"]]
    wanted = case.get("rejects", [])
    assert [(r["row"], r["field"]) for r in rows] == [(row, field) for row, field, _ in wanted]
    for reject, (_, _, part) in zip(rows, wanted, strict=True):
        assert part in reject["reason"]
        assert reject["file"].startswith(str(path))
    asked = case.get("questions", [[q.row, q.field, q.why] for q in report.questions])
    assert [(q.row, q.field) for q in report.questions] == [(row, name) for row, name, _ in asked]
    assert all(part in q.why for q, (*_, part) in zip(report.questions, asked, strict=True))
    errors = [file.error for file in report.files if file.error]
    assert len(errors) == ("error" in case), errors
    assert all(case["error"] in error for error in errors)
    said = [w for w in report.warnings if "not declared" not in w]
    assert len(said) == len(case.get("warnings", said)), said
    assert all(
        part in warning for part, warning in zip(case.get("warnings", ()), said, strict=False)
    )
    ends = case.get("files", [""])
    assert all(f.file.endswith(end) for f, end in zip(report.files, ends, strict=True))
    runs = history.at().runs().to_pylist()
    assert len(runs) == case.get("runs", case["added"])
    if "first" in case:
        first = min(runs, key=lambda run: (run["source"], run["source_row"]))
        for name, value in case["first"].items():
            wanted = pytest.approx(value, rel=1e-9) if isinstance(value, float) else value
            assert plain(first[name]) == wanted, name


def plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime.datetime) else value


def test_every_file_of_the_corpus_has_a_case() -> None:
    named = {case.get("file") for case in CASES} | {case.get("built") for case in CASES}
    assert named - {None} == {path.name for path in FILES.iterdir()} | set(BUILT)
    assert len(CASES) >= 60
