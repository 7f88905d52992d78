"""What a plan was asked for, and what it assumed because nothing was entered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from optimizer.evidence.material import LATEST_RUNS
from optimizer.plant.brief import Brief
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.service.exchange.queries import LABEL
from optimizer.service.pages.brief_form.fields import Field, fields_of
from optimizer.service.pages.brief_form.reading import BriefForm
from optimizer.text.figures import exact_percent, level
from optimizer.text.setting_names import gate_number, gates_together, setting_words


def asked_for(form: BriefForm) -> list[str]:
    """The entered fields with their values, as they were typed."""
    found = []
    for name, field in fields_of(form.sections).items():
        if name in form.typed:
            text = dict(field.choices).get(form.typed[name], form.typed[name])
            name = f"{field.called[:1].lower()}{field.called[1:]}{':' if field.choices else ''}"
            found.append(f"{name} {_with_unit(text, field)}")
    return found


def _with_unit(text: str, field: Field) -> str:
    return f"{text} {field.unit}" if field.unit and text[-1:].isdecimal() else text


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
    found, taken = [], plan["material"]
    for name, variable in site.material.items():
        words = name.replace("_", " ")
        if name in brief.material:
            continue
        if name in taken:
            value = f"{level(taken[name])} {variable.unit}".rstrip()
            found.append(
                f"{words} {value}: the median of the latest runs, at most {LATEST_RUNS}, that "
                "state it and that the plan learns from"
            )
        elif not plan["runs_used"]:
            continue
        elif name == FEED_GRADE:
            found.append(
                f"{words}: no run states one, so that the plan takes one with which every reading "
                "is possible; product rates follow from it"
            )
        else:
            found.append(f"{words}: no run states it, so that the plan leaves it out")
    if LABEL in taken and LABEL not in brief.material:
        found.append(
            f"material {taken[LABEL]}: that of the latest run that names one and that the "
            "plan learns from"
        )
    return found


def _goal(plan: Mapping[str, Any], form: BriefForm) -> list[str]:
    goal, given = plan["goal"], form.brief.get("goal", {})
    found = []
    if "min_grade" not in given:
        if goal["min_grade"] is not None:
            grade = exact_percent(goal["min_grade"])
            found.append(f"grade to reach {grade} %: the median grade of the measured runs")
        elif goal["maximise"] == "value":
            found.append("no grade to reach: prices alone decide")
        else:
            found.append("no grade to reach: there are too few runs to take one from")
    if "maximise" not in given:
        found.append("goal: the highest recovery")
    if plan.get("hold") and "hold" not in given:
        found.append("the product of the whole shift must meet the grade, not that of every hour")
    if "confidence" not in given:
        found.append(f"confidence in the grade {exact_percent(goal['confidence'])} %")
    return found


def _trials(form: BriefForm, brief: Brief) -> list[str]:
    given, trials = form.brief.get("trials", {}), brief.trials
    found = []
    if "count" not in given:
        found.append(f"{trials.count} trials")
    if "settle_minutes" not in given:
        found.append(f"{level(trials.settle_minutes)} min for the deck to settle")
    if "sample_minutes" not in given:
        found.append(f"{level(trials.sample_minutes)} min to sample")
    unlimited = [
        said
        for name, said in (("material_available", "the lot"), ("minutes_available", "the time"))
        if name not in given and f"trials.{name}" in fields_of(form.sections)
    ]
    if unlimited:
        verb = "are" if len(unlimited) > 1 else "is"
        found.append(f"{' and '.join(unlimited)} for all trials {verb} not limited")
    return found


def _deck(plan: Mapping[str, Any], form: BriefForm, brief: Brief) -> list[str]:
    found, units = [], plan["units"]
    if not form.brief.get("capacity") and "feed_rate" in units:
        found.append("no limit of feed, product and reject rates besides the range of the deck")
    free = _names(name for name in units if name not in brief.limits)
    if free:
        all_of = "every setting" if len(free) == len(units) else ", ".join(free)
        found.append(f"{all_of}: the whole range of the deck")
    unsaid = _names(name for name in units if name not in brief.current)
    if unsaid and plan["runs_used"]:
        what = "the deck" if len(unsaid) == len(units) else ", ".join(unsaid)
        found.append(f"{what}: where the latest run left it")
    return found


def _names(names: Any) -> Sequence[str]:
    """Names of settings in words, the gates of one setting together."""
    found = []
    for whole, own in gates_together(names).items():
        gates = [str(gate[1]) for gate in map(gate_number, own) if gate]
        several = f"{setting_words(whole)} gates {', '.join(gates)}"
        found.append(several if len(gates) > 1 else setting_words(own[0]))
    return found
