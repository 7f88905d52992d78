"""The report page: its numbers equal the JSON documents, it fetches nothing, it shows every run."""

from __future__ import annotations

import copy
import re

import pytest

from optimizer.diagnostics.drift import CHECKS
from optimizer.errors import InputError
from optimizer.history.snapshot import Snapshot
from optimizer.operations.reporting import ReportFiles, review, write_report
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.presentation.page import report_html
from optimizer.text import texts as words
from optimizer.text.words import Words
from tests.presentation.report_case import (
    check_numbers,
    documents,
    numbers_on,
    parse,
    season_page,
    season_review,
    text_of,
)


def leaves(value, path=""):
    """Paths of all numbers in a document."""
    if isinstance(value, dict):
        return [p for k, v in value.items() for p in leaves(v, f"{path}.{k}" if path else k)]
    if isinstance(value, list):
        return [p for k, v in enumerate(value) for p in leaves(v, f"{path}.{k}")]
    return [path] if isinstance(value, int | float) and not isinstance(value, bool) else []


def test_every_number_on_the_page_equals_its_document():
    shown = numbers_on(season_page())
    paths = check_numbers(shown, documents(season_review()))
    assert len(paths) > 500


def test_one_changed_number_is_detected():
    whole = copy.deepcopy(documents(season_review()))
    whole["plan"]["recommendations"][2]["recovery"]["low"] += 1e-4
    with pytest.raises(AssertionError, match=r"plan:recommendations\.2\.recovery\.low"):
        check_numbers(numbers_on(season_page()), whole)


def test_the_whole_answer_is_on_the_page():
    plan = documents(season_review())["plan"]
    # What the plan says again in the plant's unit of mass, which is t here, stands there once.
    now = {k: v for k, v in plan["run_now"].items() if k not in ("chance_even", "product_rate")}
    whole = {"run_now": now, "material": plan["material"], "goal": plan["goal"]}
    asked = [f"plan:{p}" for p in leaves(whole)]
    asked += [f"plan:{k}" for k in ("seed", "history_version", "runs_used", "set_points")]
    for k, trial in enumerate(plan["recommendations"]):
        own = {key: v for key, v in trial.items() if key not in ("changes", "chance_even")}
        del own["product_t_per_h"], own["material_mass"]
        asked += [f"plan:recommendations.{k}.{p}" for p in leaves(own)]
    assert not set(asked) - {path for path, *_ in numbers_on(season_page())}
    page = text_of(parse(season_page()))
    for said in (
        plan["stopping"]["why"],
        *plan["warnings"],
        *(t["why"] for t in plan["recommendations"]),
    ):
        assert " ".join(said.split()) in page
    total = sum(t["material_t"] for t in plan["recommendations"])
    assert f"All trials together take {total:.2f} t of feed and 120 minutes." in page


def test_sections_follow_the_order_of_a_reader_s_questions():
    heads = [text_of(h) for h in parse(season_page()).iter("h2")]
    assert [h for h in heads if not h.startswith("Trial sheet")] == [
        "The answer",
        "Grade against recovery",
        "What each setting does",
        "Speed and tilt together",
        "How the campaign goes",
        "Can it be trusted?",
        "What the history says",
        "Warnings",
        "How this was made",
    ]


def test_the_page_is_one_file_that_fetches_nothing():
    page = season_page()
    assert len(page.encode()) < 5_000_000
    assert not re.search(r"https?:|<script|<link|<img|<iframe|@import|@font-face| src=", page)
    assert all(u.startswith("#") for u in re.findall(r"url\(([^)]*)\)", page))
    assert all(u.startswith("#") for u in re.findall(r"href=\"([^\"]*)\"", page))
    for target in re.findall(r"(?:url\(|href=\")#([^)\"]+)", page):
        assert f'id="{target}"' in page
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_equal_plans_give_equal_pages():
    again = season_review().page(command="highside report --brief brief.toml")
    assert again == season_page()


def test_every_run_belongs_to_a_dot():
    found = season_review()
    table = next(t for t in parse(season_page()).iter("table") if "All" not in text_of(t) and
                 len(list(t.iter("tr"))) > 150)  # fmt: skip
    assert len(list(table.iter("tr"))) == 1 + len(found.landscape.as_dict()["points"]["count"])
    assert sum(found.landscape.as_dict()["points"]["count"]) == 488  # measured runs of deck-1
    assert sum(s["runs"] for s in found.landscape.as_dict()["progress"]) == 500


# ------------------------------------------------------------------ other histories


ONE = {"count": 1}


def brief(**tables) -> Brief:
    return Brief.from_dict({"goal": {"min_grade": 0.985}, **tables})


@pytest.mark.parametrize("runs", [0, 2, 6, 60])
def test_short_histories_have_a_page(season_table, runs):
    table = season_table.slice(0, runs)
    found = review(situation_of(Snapshot.of_table(table), Site(), brief(trials=ONE)))
    page = found.page()
    check_numbers(numbers_on(page), documents(found))
    assert ("Not known yet" in page) == (runs <= 2)


@pytest.mark.usefixtures("small_plans", "without_plots")
def test_a_long_history_shows_calibration_only(season_table, monkeypatch):
    asked = brief(trials=ONE)
    whole = review(situation_of(Snapshot.of_table(season_table), Site(), asked))
    monkeypatch.setattr("optimizer.operations.reporting.MOST_DIAGNOSED", 50)
    found = review(situation_of(Snapshot.of_table(season_table), Site(), asked))
    page = found.page()
    check_numbers(numbers_on(page), documents(found))
    short, long = (x.diagnosis_document()["calibration"] for x in (whole, found))
    assert long["grade"]["coverage"] == pytest.approx(short["grade"]["coverage"], abs=1e-6)
    assert "highside diagnose" in page


def test_a_comparison_is_shown_on_its_own_page():
    value = {"mean": 0.9, "low": 0.88, "high": 0.92}
    line = {
        "line": "deck-2",
        "rank": 1,
        "runs": 10,
        "current": {"recovery": value, "chance_of_grade": 0.9},
        "attainable": {"recovery": {**value, "high": 0.95}, "settings": {}},
        "gap": {"mean": 0.01, "low": 0.0, "high": 0.02},
        "causes": [{"setting": "air", "now": 40.0, "better": 36.0, "recovery_gain": 0.01}],
    }
    document = {"schema": "highside.comparison/1", "basis": {}, "lines": [line]}
    found = season_review()
    page = report_html(found.plan.as_dict(), found.landscape.as_dict(), comparison=document)
    check_numbers(numbers_on(page), {**documents(found), "comparison": document})
    assert "Air 40 → 36" in text_of(parse(page))


@pytest.mark.usefixtures("without_plots")
@pytest.mark.parametrize(
    ("pattern", "said"), [("trend", "a slow trend"), ("step", "a sudden change")]
)
def test_a_detected_drift_is_shown_with_what_to_check(pattern, said):
    found = season_review()
    diagnosis = copy.deepcopy(found.diagnosis_document())
    (drift,) = (d for d in diagnosis["drift"] if d["quantity"] == "recovery")
    drift["pattern"] = pattern
    drift["checks"] = [{"check": c, "basis": "common practice"} for c in CHECKS["one falls"]]
    page = report_html(found.plan.as_dict(), found.landscape.as_dict(), diagnosis=diagnosis)
    causes = ", ".join(CHECKS["one falls"])
    told = f"Recovery: {said} (check first, as is common practice, without proof: {causes})"
    assert told in [text_of(item) for item in parse(page).iter("li")]


# ------------------------------------------------------------------ words


def test_another_language_needs_one_file(tmp_path, monkeypatch):
    english = (words.FOLDER / "en.toml").read_text(encoding="utf-8")
    marked = re.sub(r'= "', '= "§', english)
    marked = re.sub(r'^  "', '  "§', marked, flags=re.MULTILINE)
    (tmp_path / "xx.toml").write_text(marked, encoding="utf-8")
    (tmp_path / "en.toml").write_text(english, encoding="utf-8")
    monkeypatch.setattr(words, "FOLDER", tmp_path)
    words.texts.cache_clear()
    tree = parse(season_review().page(words=Words("xx")))
    words.texts.cache_clear()
    assert tree.get("lang") == "xx"
    for name in ("h1", "h2", "h3", "th", "dt", "caption", "figcaption", "summary"):
        for element in tree.iter(name):
            text = text_of(element)
            if re.search(r"[A-Z][a-z]{3}", text):
                assert "§" in text, text


def test_an_unwritable_output_is_refused_before_the_work_starts(tmp_path, season_table):
    work = situation_of(Snapshot.of_table(season_table.slice(0, 0)), Site(), brief())
    with pytest.raises(InputError, match=r"sheet\.docx: expected a name ending in \.pdf"):
        ReportFiles(tmp_path / "r.html", (tmp_path / "sheet.docx",))
    with pytest.raises(InputError, match="--paper a3: expected a4 or letter"):
        ReportFiles(tmp_path / "r.html", paper="a3")
    with pytest.raises(InputError, match="no texts in 'tlh'"):
        write_report(work, ReportFiles(tmp_path / "r.html", language="tlh"))
    with pytest.raises(InputError, match="cannot be written"):
        write_report(work, ReportFiles(tmp_path / "none" / "r.html"))
