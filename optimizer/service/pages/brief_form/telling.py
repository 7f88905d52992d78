"""What a plan was asked for, and what it assumed because nothing was entered."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from optimizer.evidence.material import LATEST_RUNS
from optimizer.plant.brief import Brief
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.service.exchange.queries import LABEL
from optimizer.service.pages.brief_form.fields import Field, fields_of
from optimizer.service.pages.brief_form.reading import BriefForm
from optimizer.text.sentences import quantity, sentence
from optimizer.text.setting_names import gate_number, gates_together

_NUMBER = re.compile(r"-?\d+(\.\d+)?")
"""A number as readers of every language are told it in their manner; others stay as typed."""


def asked_for(form: BriefForm) -> list[str]:
    """The entered fields with their values, as they were typed."""
    fields = fields_of(form.sections)
    return [told_field(field, form.typed[n]) for n, field in fields.items() if n in form.typed]


def told_field(field: Field, text: str) -> str:
    """A field with what was typed into it."""
    if field.choices:
        chosen = dict(field.choices).get(text, text)
        return sentence("field_chosen", name=field.called, value=chosen)
    return sentence("field_asked", name=field.called, value=_with_unit(text, field))


def _with_unit(text: str, field: Field) -> str:
    if field.kind != "text" and _NUMBER.fullmatch(text):
        key = "level_with_unit" if field.unit else "level"
        return sentence(key, value=float(text), unit=field.unit)
    return text if not field.unit or not text[-1:].isdecimal() else f"{text} {field.unit}"


def assumed(plan: Mapping[str, Any], form: BriefForm, site: Site) -> list[str]:
    """What a plan took for granted where nothing was entered, one sentence each.

    Args:
        plan: the ``highside.plan/1`` document.
        form: the form that the plan was made for.
        site: the plant.
    """
    brief = Brief.from_dict(form.brief)
    return [
        *_material(plan, brief, site),
        *_goal(plan, form),
        *_trials(form, brief),
        *_deck(plan, form, brief),
    ]


def _material(plan: Mapping[str, Any], brief: Brief, site: Site) -> list[str]:
    """Properties of the material: the library takes the median of the latest runs that state one,
    the latest name, and nothing where no run states any."""
    taken = plan["material"]
    found: list[str] = []
    for name, variable in site.material.items():
        if name in brief.material:
            continue
        if name in taken:
            value = quantity(taken[name], variable.unit)
            found.append(sentence("assumed_median", name=name, value=value, most=LATEST_RUNS))
        elif not plan["runs_used"]:
            continue
        elif name == FEED_GRADE:
            found.append(sentence("assumed_feed_grade", name=name))
        else:
            found.append(sentence("assumed_left_out", name=name))
    if LABEL in taken and LABEL not in brief.material:
        found.append(sentence("assumed_material", label=taken[LABEL]))
    return found


def _goal(plan: Mapping[str, Any], form: BriefForm) -> list[str]:
    goal, given = plan["goal"], form.brief.get("goal", {})
    found: list[str] = []
    if "min_grade" not in given:
        if goal["min_grade"] is not None:
            found.append(sentence("assumed_median_grade", grade=goal["min_grade"]))
        elif goal["maximise"] == "value":
            found.append(sentence("assumed_prices_decide"))
        else:
            found.append(sentence("assumed_no_grade"))
    if "maximise" not in given:
        found.append(sentence("assumed_goal"))
    if plan.get("hold") and "hold" not in given:
        found.append(sentence("assumed_blend"))
    if "confidence" not in given:
        found.append(sentence("assumed_confidence", confidence=goal["confidence"]))
    return found


def _trials(form: BriefForm, brief: Brief) -> list[str]:
    given, trials = form.brief.get("trials", {}), brief.trials
    found: list[str] = []
    if "count" not in given:
        found.append(sentence("assumed_trials", trials=trials.count))
    if "settle_minutes" not in given:
        found.append(sentence("assumed_settle", minutes=trials.settle_minutes))
    if "sample_minutes" not in given:
        found.append(sentence("assumed_sample", minutes=trials.sample_minutes))
    unlimited = [
        said
        for name, said in (("material_available", "lot"), ("minutes_available", "time"))
        if name not in given and f"trials.{name}" in fields_of(form.sections)
    ]
    if unlimited:
        found.append(sentence(f"assumed_{'_and_'.join(unlimited)}"))
    return found


def _deck(plan: Mapping[str, Any], form: BriefForm, brief: Brief) -> list[str]:
    units = plan["units"]
    found: list[str] = []
    if not form.brief.get("capacity") and "feed_rate" in units:
        found.append(sentence("assumed_no_capacity"))
    free = _names(name for name in units if name not in brief.limits)
    if free:
        whole = len(free) == len(units)
        found.append(
            sentence("assumed_all_free") if whole else sentence("assumed_free", names=free)
        )
    unsaid = _names(name for name in units if name not in brief.current)
    if unsaid and plan["runs_used"]:
        whole = len(unsaid) == len(units)
        found.append(
            sentence("assumed_deck_left") if whole else sentence("assumed_left", names=unsaid)
        )
    return found


def _names(names: Any) -> Sequence[str]:
    """Names of settings in words, the gates of one setting together."""
    found: list[str] = []
    for whole, own in gates_together(names).items():
        gates = [str(gate[1]) for gate in map(gate_number, own) if gate]
        several = len(gates) > 1
        found.append(
            sentence("field_gates", name=whole, gates=gates)
            if several
            else sentence("field_spoken", name=own[0])
        )
    return found
