"""Compares every figure of the demo season's answers with stored figures.

    python -m tests.season_answers            what differs from the figures kept, to the last digit
    python -m tests.season_answers --write    keep the figures of today

The commands run on the bundled season with ``--json``. Sentences are left out, because their
wording may improve, and so are paths. The figures of a report are a tenth of the numbers on its
page.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from cli.main import app
from optimizer.text.sentences import LISTED

KEPT = Path(__file__).parent / "data" / "season_answers.json"
VALUE = """
line = "deck-2"
[material]
feed_grade = 0.93
[goal]
maximise = "value"
min_grade = 0.98
[goal.prices]
product = 2400.0
reject = 900.0
feed = 1500.0
hour = 60.0
[capacity]
max_feed_rate = 3.0
max_reject_rate = 0.6
[trials]
count = 2
material_available = 2.0
"""
TRADE_OFF = """
line = "deck-3"
[goal]
maximise = "trade-off"
min_grade = 0.97
[limits.air]
low = 30
high = 60
[trials]
count = 2
"""
STREAMS = """test_id,stream,mass [kg],assay [%],count,line,\
feed_rate,end_raise,side_tilt,eccentric_speed,air
T1,feed,,93.1,800,deck-1,2.0,2.5,2.4,455,40
T1,product,902,98.7,800,,,,,,
T1,reject,104,41.5,800,,,,,,
"""
COMMANDS = {
    "load": "load deck-1.csv deck-2.csv deck-3.parquet",
    "history": "history --export runs.csv",
    "suggest": "suggest --brief brief.toml",
    "value": "suggest --brief value.toml --seed 1",
    "trade-off": "suggest --brief trade_off.toml",
    "new line": "suggest --line deck-9 --min-grade 0.98 --trials 3",
    "diagnose": "diagnose --line deck-1 --min-grade 0.985",
    "compare": "compare --min-grade 0.985 --feed-rate 2.4 --price 2400 --hours 900",
    "report": "report --brief brief.toml --out report.html --sheet sheet.csv",
    "balance": "balance streams.csv",
    "sampling": "balance --plan --purity 0.985 --difference 0.005",
    "record": "record --line deck-1 --feed-rate 2.0 --end-raise 2.4 --side-tilt 2.0 "
    "--eccentric-speed 450 --air 37 --grade 98.7% --recovery 93.1% --grade-count 800 "
    "--started-at 2026-03-20T08:00:00Z --min-grade 0.985",
}
MOST_ROWS = 40
EVERY = 10
FIGURE = re.compile(r"-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


def answers(folder: Path, with_report: bool = True) -> dict[str, Any]:
    """The figures of each command, run in ``folder``, by the name of the command in this module."""
    from optimizer.operations.demo import season_folder

    for path in season_folder().iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    for name, text in (("value.toml", VALUE), ("trade_off.toml", TRADE_OFF)):
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "streams.csv").write_text(STREAMS, encoding="utf-8")
    before = Path.cwd()
    os.chdir(folder)
    try:
        found = {}
        asked = {k: v for k, v in COMMANDS.items() if with_report or k != "report"}
        for name, line in asked.items():
            done = CliRunner().invoke(app, [*line.split(), "--json"], catch_exceptions=False)
            found[name] = figures(json.loads(done.stdout))
        for name in ("runs.csv", "balanced.csv"):
            found[name] = table((folder / name).read_text(encoding="utf-8-sig"))
        if not with_report:
            return found
        found["sheet.csv"] = table((folder / "sheet.csv").read_text(encoding="utf-8-sig"))
        found["report.html"] = figures_of_page((folder / "report.html").read_text("utf-8"))
    finally:
        os.chdir(before)
    return found


def figures_of_page(page: str) -> dict[str, Any]:
    """The values that a report shows, by their path, and a tenth of the numbers of its plots.

    The rounded text of a value is not compared.
    """
    shown = re.findall(r'<data value="([^"]*)" data-from="([^"]*)"', page)
    plots = " ".join(re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL))
    return {
        "values": {place: json.loads(value) for value, place in shown if FIGURE.fullmatch(value)},
        "plots": [float(number) for number in FIGURE.findall(plots)[::EVERY]],
    }


def figures(value: Any) -> Any:
    """A JSON value without its sentences and paths."""
    if isinstance(value, dict):
        return {k: figures(v) for k, v in value.items() if k != LISTED}
    if isinstance(value, list):
        return [figures(v) for v in value]
    if isinstance(value, str):
        return value if re.fullmatch(r"[\w.:+-]{1,40}", value) else ""
    return value


def table(text: str) -> list[list[Any]]:
    """The cells of a CSV file without sentences; only the first rows of a long file."""
    lines = text.splitlines()
    cells = [[figures(cell) for cell in line.split(",")] for line in lines[:MOST_ROWS]]
    return [[len(lines)], *cells]


def differences(kept: Any, found: Any, tolerance: float, place: str = "") -> Iterator[str]:
    """Where two answers differ by more than ``tolerance``, absolutely and of a figure's size."""
    if isinstance(kept, dict) and isinstance(found, dict):
        for key in sorted({*kept, *found}):
            if key not in found or key not in kept:
                yield f"{place}/{key}: {'gone' if key in kept else 'new'}"
            else:
                yield from differences(kept[key], found[key], tolerance, f"{place}/{key}")
    elif isinstance(kept, list) and isinstance(found, list) and len(kept) == len(found):
        for k, (a, b) in enumerate(zip(kept, found, strict=True)):
            yield from differences(a, b, tolerance, f"{place}/{k}")
    elif isinstance(kept, float) and isinstance(found, int | float) and tolerance:
        if abs(kept - found) > tolerance * max(1.0, abs(kept)):
            yield f"{place}: {kept!r} is now {found!r}"
    elif kept != found:
        yield f"{place}: {kept!r} is now {found!r}"


def main() -> None:
    """Print the differences, or store the current figures with ``--write``."""
    parser = argparse.ArgumentParser(description="A season's figures, before and after a change.")
    parser.add_argument("--write", action="store_true", help="keep the figures of today")
    write = parser.parse_args().write
    with tempfile.TemporaryDirectory() as folder:
        found = json.loads(json.dumps(answers(Path(folder))))
    if write:
        KEPT.parent.mkdir(exist_ok=True)
        KEPT.write_text(json.dumps(found, separators=(",", ":")) + "\n", encoding="utf-8")
        return
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    different = list(differences(kept, found, 0.0))
    print("\n".join(different[:200]) or "Every figure is as it was.")
    raise SystemExit(bool(different))


if __name__ == "__main__":
    main()
