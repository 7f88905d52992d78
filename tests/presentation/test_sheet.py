"""The trial sheet: the plan in run order on one page; a filled sheet loads as runs."""

from __future__ import annotations

import csv
import io
import json
import re
from functools import cache

import numpy as np
import pypdfium2
import pytest

from optimizer import Brief, History, Site, load_logs
from optimizer.history.snapshot import Snapshot
from optimizer.operations.demo import season_folder
from optimizer.operations.recording import record
from optimizer.operations.reporting import review
from optimizer.planning.situation import situation_of
from optimizer.presentation.pages import sheet_html
from optimizer.presentation.sheet_csv import sheet_csv
from optimizer.presentation.sheet_pdf import sheet_pdf
from optimizer.text.texts import texts
from tests.presentation.report_case import parse, season_review, text_of

# Millimetres: ISO 216 for A4; ANSI/ASME Y14.1 for Letter (8.5 by 11 inches).
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MM = 72 / 25.4


@cache
def season_pdf(paper: str) -> bytes:
    """The sheet of the season's plan, printed once per paper: its fonts take long to embed."""
    return sheet_pdf(season_review().sheet(), paper)


def pages(content: bytes) -> list[str]:
    with pypdfium2.PdfDocument(content) as document:
        return [" ".join(page.get_textpage().get_text_range().split()) for page in document]


def level(value: float) -> str:
    return rf"\b{value:g}(?:\.0+)?\b"


@pytest.mark.parametrize("paper", PAPERS)
def test_the_pdf_says_what_the_plan_says_on_one_page(paper):
    plan = season_review().plan.as_dict()
    content = season_pdf(paper)
    document = pypdfium2.PdfDocument(content)
    assert len(document) == 1
    assert document[0].get_size() == pytest.approx([mm * MM for mm in PAPERS[paper]], abs=0.1)
    (text,) = pages(content)
    at = 0
    for trial in sorted(plan["recommendations"], key=lambda t: t["order"]):
        # The search starts where this trial's text begins, so that another trial cannot match.
        for name, value in trial["settings"].items():
            found = re.compile(level(value) + " " + re.escape(plan["units"][name])).search(text, at)
            assert found, (trial["order"], name)
        for change in trial["changes"]:
            move = rf"{level(change['from'])} → {level(change['to'])} {change['unit']}"
            assert re.compile(move).search(text, at), change
        assert f"rank {trial['rank']}" in text
        watch = text.index(" ".join(trial["watch"].split()), at)
        assert f"Takes {trial['material_t']:.2f} t and {trial['minutes']:g} min." in text[watch:]
        at = watch
    for said in (
        "grade at least 98.5 %", "6 t of feed", "stands level and firm",
        "nothing else shakes it", "Drive locked out: belts sound and tight", "fan turns as marked",
        "Nothing blocks the air", "feed is steady, with stock ahead",
        "one control at a time", "from the feed onward", "material covers the deck",
        "wait 20 min", "(boiling): less air", "at the high side (sluggish): more air",
        "Count 10,795 particles of the product", "two such counts tell 98.5 from 98 %",
        "Lock the drive out", "licensed electrician",
        "the operator decides", "on this sheet are common practice", "history version 0, seed 0",
    ):  # fmt: skip
        assert said in text, said


@pytest.mark.parametrize("paper", PAPERS)
def test_the_pdf_is_black_and_white_and_nothing_is_cut(paper):
    page = pypdfium2.PdfDocument(season_pdf(paper))[0]
    picture = page.render(scale=1.5).to_numpy().astype(int)
    assert np.ptp(picture[..., :3], axis=2).max() == 0
    ink = np.argwhere(picture[..., 0] < 128)
    edge = 5.0 * MM * 1.5
    assert ink.min() >= edge
    assert np.all(ink.max(axis=0) <= np.array(picture.shape[:2]) - edge)
    assert 0.02 < (picture[..., 0] < 128).mean() < 0.25


@pytest.mark.usefixtures("small_plans")
@pytest.mark.parametrize("count", [1, 4, 9])
@pytest.mark.parametrize("known", [True, False], ids=["history", "first-batch"])
def test_a_batch_of_any_size_is_printed_completely(season_table, count, known):
    table = season_table if known else season_table.slice(0, 0)
    asked = Brief.from_dict({"goal": {"min_grade": 0.985}, "trials": {"count": count}})
    found = review(situation_of(Snapshot.of_table(table), Site(), asked))
    for paper in PAPERS if count == 4 else ["a4"]:  # the most that one page holds, on both papers
        content = pages(sheet_pdf(found.sheet(), paper))
        assert (len(content) == 1) == (count <= 4)
        whole = " ".join(content)
        assert sorted(re.findall(r"rank (\d+)", whole)) == [str(k + 1) for k in range(count)]
        assert whole.count("Settled at") == count
        assert whole.count("Lock the drive out") == 1
    tree = parse(sheet_html(found.sheet()))
    assert sum("rank" in text_of(h) for h in tree.iter("h2")) == count


def test_equal_sheets_give_equal_pdf_bytes():
    assert sheet_pdf(season_review().sheet()) == season_pdf("a4")


def test_the_sheet_shows_no_predictions():
    """A visible prediction could bias the person who takes the reading."""
    plan = season_review().plan.as_dict()
    (text,) = pages(season_pdf("a4"))
    for trial in plan["recommendations"]:
        assert f"{100 * trial['recovery']['mean']:.1f}" not in text


def test_advice_templates_contain_no_digits():
    """Belt slack, minutes of feed in stock and turns of a gate differ from deck to deck.

    Every figure that the fixed texts show is filled in from the plan and the brief.
    """
    words = texts()["sheet"]
    advice = [words[key] for key in ("checks", "moving", "watch", "sampling", "cautions")]
    said = [line for lines in advice for line in lines]
    told = texts()["sentences"]
    said += [text for key, text in told.items() if key.startswith(("watch_", "wait_", "check_"))]
    assert len(said) > 30
    for line in said:
        assert not re.search(r"\d", re.sub(r"\{[^}]*\}", "", line)), line


# ------------------------------------------------------------------ filled sheets loaded


@pytest.fixture
def plant(tmp_path):
    site = Site.read(season_folder() / "site.toml")
    history = History(tmp_path / "history")
    load_logs([season_folder() / "deck-1.csv"], history, site)
    return history, site, Brief.read(season_folder() / "brief.toml")


def fill(text: str, results: dict[int, dict[str, str]], **style) -> str:
    rows = list(csv.DictReader(io.StringIO(text)))
    for k, result in results.items():
        rows[k].update(result)
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), **style)
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


GOOD = {"grade [%]": "98.7", "recovery [%]": "91.2", "grade_count": "600"}
FAILED = {"deck_state": "boiling", "started_at": "2025-10-09T09:00"}


def test_a_filled_sheet_loads_completely_and_a_fuller_copy_adds_the_rest(plant, tmp_path):
    history, site, brief = plant
    plan = season_review().plan.as_dict()
    path, blank = tmp_path / "sheet.csv", sheet_csv(plan)
    path.write_bytes(fill(blank, {0: {**GOOD, "started_at": "2025-10-09T08:00"}, 2: FAILED})
                     .encode("utf-8-sig"))  # fmt: skip
    done = record(history, site, path, brief)
    assert (done.load.added, done.load.rejected) == (2, 0)
    assert any("2 trials have no result yet" in w for w in done.load.warnings)
    path.write_text(fill(blank, {0: {**GOOD, "started_at": "2025-10-09T08:00"}, 2: FAILED,
                                 1: {**GOOD, "note": "late", "feed_grade": "0.925"}}))  # fmt: skip
    done = record(history, site, path, brief)
    assert (done.load.added, done.load.already_known, done.load.rejected) == (1, 2, 0)
    runs = history.at().runs(site=site).to_pylist()
    own = {r["run_id"]: r for r in runs if (r["run_id"] or "").startswith("trial-")}
    assert len(own) == 3
    trials = sorted(plan["recommendations"], key=lambda t: t["order"])
    for row in csv.DictReader(io.StringIO(blank)):
        order = int(row["run_id"].rpartition("-")[2])
        if order == 4:
            assert row["run_id"] not in own
            continue
        run = own[row["run_id"]]
        for name, value in trials[order - 1]["settings"].items():
            assert run[name] == pytest.approx(value)
        assert run["line"] == "deck-1"
        # The material values that the plan assumed are not readings; a value filled in is one.
        assert run["feed_grade"] == (0.925 if order == 2 else None)
        assert {run[name] for name in plan["material"] if name != "feed_grade"} == {None}
        if order == 3:
            assert (run["deck_state"], run["grade"]) == ("boiling", None)
        else:
            assert (run["grade"], run["recovery"]) == (0.987, 0.912)


def test_a_sheet_saved_by_a_spreadsheet_with_decimal_commas_loads(plant, tmp_path):
    history, site, brief = plant
    blank = sheet_csv(season_review().plan.as_dict())
    text = fill(blank, {0: {**GOOD, "recovery [%]": "91.2"}}, delimiter=";")
    path = tmp_path / "sheet.csv"
    path.write_text(re.sub(r"(\d)\.(\d)", r"\1,\2", text))
    done = record(history, site, path, brief)
    assert (done.load.added, done.load.rejected) == (1, 0)


def test_a_sheet_without_results_adds_nothing(plant, tmp_path):
    history, site, brief = plant
    path = tmp_path / "sheet.csv"
    path.write_text(sheet_csv(season_review().plan.as_dict()))
    done = record(history, site, path, brief)
    assert (done.load.read, done.load.added, done.load.rejected) == (0, 0, 0)
    assert any("4 trials have no result yet" in w for w in done.load.warnings)


def test_a_mistake_in_a_sheet_is_reported(plant, tmp_path):
    history, site, brief = plant
    path = tmp_path / "sheet.csv"
    path.write_text(
        fill(sheet_csv(season_review().plan.as_dict()), {1: {**GOOD, "grade [%]": "987"}})
    )
    done = record(history, site, path, brief)
    (reject,) = done.load.rejects
    assert (reject["row"], reject["field"]) == (3, "grade")


def test_a_log_row_without_a_result_is_rejected(plant, tmp_path):
    history, site, _ = plant
    path = tmp_path / "sheet.csv"
    path.write_text(sheet_csv(season_review().plan.as_dict()))
    assert load_logs([path], history, site).rejected == 4


def test_different_plans_have_different_run_ids():
    plan = season_review().plan.as_dict()
    other = json.loads(json.dumps(plan))
    other["seed"] = 1
    first, second = (next(csv.DictReader(io.StringIO(sheet_csv(p)))) for p in (plan, other))
    assert first["run_id"] != second["run_id"]
