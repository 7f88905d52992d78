"""Writes a recorded result, and what it has changed, as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.load import load
from cli.show.text import interval, wrap
from optimizer.text.figures import exact_percent, level, whole_percent, worth
from optimizer.text.setting_names import settings_told


def recorded(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.record/1`` document."""
    lines = [load(document["load"])]
    lines += [wrap(sentence) for sentence in document.get("says", ())]
    before, after = document["before"], document["after"]
    if document["load"]["added"] and after and after["run_now"]:
        lines += ["", *_run_now(before["run_now"] if before else None, after)]
        verdict = "Stop here" if after["stopping"]["advice"] == "stop" else "Go on"
        lines.append(wrap(f"{verdict}: {after['stopping']['why']}"))
    return "\n".join(lines)


def _run_now(before: Mapping[str, Any] | None, after: Mapping[str, Any]) -> list[str]:
    """The lines about the settings to run now after a result, compared with those before it."""
    now, goal = after["run_now"], after["goal"]
    settings = settings_told({name: level(v) for name, v in now["settings"].items()}, {})
    same = before is not None and before["settings"] == now["settings"]
    what = "Run now, as before" if same else "Run now, changed by this result"
    then = f" (before: {interval(before['recovery'])} %)" if before is not None else ""
    parts = [f"Recovery {interval(now['recovery'])} %{then}"]
    if goal["min_grade"] is not None:
        sure, grade = now["chance_of_grade"], exact_percent(goal["min_grade"])
        parts.append(f"{whole_percent(sure)} % sure of grade {grade} %")
    if "value_per_hour" in now:
        parts.append(f"{worth(now['value_per_hour'])} {goal['gain_unit']}")
    return [wrap(f"{what}: {settings}."), wrap(", ".join(parts) + ".")]
