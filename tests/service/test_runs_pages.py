"""The list of runs and its files: what is chosen and how it is sorted, against the export of the
command, chosen and sorted by pandas; the rejected rows."""

from __future__ import annotations

import html
import io
import json
import re
from pathlib import Path

import pandas as pd
import pytest

from optimizer import History
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.pages.history import run_list
from tests.service.test_service import READ, TOKENS, client_of, options, problem, row
from tests.service.test_service import SITE as MOISTURE

__all__ = ["options"]  # a fixture

HTML = {"Accept": "text/html"}
SITE = f'[site]\ntime_zone = "Asia/Tokyo"\n{MOISTURE}'
STATES = ("even", "even", "boiling", None, "flooded")


def season() -> list[dict]:
    """Runs of two lines with ties and gaps in every column, in no order of time."""
    found = []
    for k in range(230):
        state = STATES[k % 5]
        more = {"note": f"Lot {k % 7}; =1+1" if k % 3 else None, "deck_state": state,
                "material": ("washed", "Natural")[k % 2], "line": f"deck-{1 + k % 2}",
                "started_at": f"2026-03-{1 + (5 * k) % 28:02d}T{k % 24:02d}:30:00Z",
                "moisture": None if k % 4 else 11 + k % 3 / 10}  # fmt: skip
        if k % 11 == 0:
            more["started_at"] = None
        values = {"grade": 0.9512 + k % 40 / 1000, "recovery": 0.85 + k % 23 / 300}
        if state not in ("even", None) and k % 2:
            values = {}
        given = {**row(k, air=30 + k % 9), **more}
        found.append({**given, **{"grade": None, "recovery": None}, **values})
    return found


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A service, and the place of its history and its site file."""
    folder = tmp_path_factory.mktemp("runs")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    options = Configuration(str(folder / "history"), str(folder / "site.toml"), rate=0, planners=0)
    with client_of(options, **HTML) as client:
        added = client.post("/v1/runs", json=[*season(), row(500, grade=97.2)]).json()
        assert (added["added"], added["rejected"]) == (230, 1)
        client.delete("/v1/runs/r9", params={"reason": "mixed up"})
        yield client, options


@pytest.fixture(scope="module")
def client(served):
    return served[0]


@pytest.fixture
def exported(served, run, tmp_path) -> tuple[bytes, pd.DataFrame]:
    """What ``highside history --export`` writes: bytes of the CSV, and the runs."""
    options = served[1]
    path = tmp_path / "runs.csv"
    where = ("--history", options.history, "--site", options.site)
    code, _, error = run("history", "--export", path, *where)
    assert code == 0, error
    frame = pd.read_csv(path, dtype={"run_id": str})
    frame["started_at"] = pd.to_datetime(frame["started_at"], utc=True)
    return path.read_bytes(), frame


def ids(page: str) -> list[str]:
    """Ids of the runs of a page, in order."""
    return [
        html.unescape(each) for each in re.findall(r'<td><a href="/runs/[^"]*">([^<]*)</a>', page)
    ]


def listed(client, query: str) -> list[str]:
    """Ids of the runs of all pages of a list."""
    found: list[str] = []
    for number in range(1, 9):
        page = client.get(f"/runs?{query}&page={number}")
        assert page.status_code == 200
        found += ids(page.text)
        if not re.search(rf'page={number + 1}["&]', page.text):
            return found
    raise AssertionError("the list does not end")


def tokyo(frame: pd.DataFrame) -> pd.Series:
    return frame["started_at"].dt.tz_convert("Asia/Tokyo").dt.strftime("%Y-%m-%d")


CHOICES = {
    "line=deck-2": lambda f: f["line"] == "deck-2",
    "since=2026-03-10": lambda f: tokyo(f) >= "2026-03-10",
    "until=2026-03-10": lambda f: tokyo(f) <= "2026-03-10",
    "since=2026-03-05&until=2026-03-05": lambda f: tokyo(f) == "2026-03-05",
    "text=lot+3": lambda f: f["note"].fillna("").str.contains("Lot 3"),
    "text=NATURAL": lambda f: f["material"] == "Natural",
    "text=r22": lambda f: f["run_id"].str.contains("r22"),
    "text=%3D1": lambda f: f["note"].notna(),
    "text=.": lambda f: f["run_id"] == "",  # a text, no pattern
    "state=boiling": lambda f: f["deck_state"] == "boiling",
    "state=not+stated": lambda f: f["deck_state"].isna(),
    "grade_low=98": lambda f: f["grade"] >= 0.98,
    "grade_high=96,12": lambda f: f["grade"] <= 0.9612,
    "grade_low=96&grade_high=97": lambda f: f["grade"].between(0.96, 0.97),
    "recovery_low=90&line=deck-1": lambda f: (f["recovery"] >= 0.9) & (f["line"] == "deck-1"),
    "recovery_high=86 %": lambda f: f["recovery"] <= 0.86,
    "": lambda f: f["run_id"] != "",
}


@pytest.mark.parametrize("query", CHOICES)
def test_the_chosen_runs_are_those_that_pandas_chooses(client, exported, query):
    wanted = exported[1][CHOICES[query](exported[1])]
    found = listed(client, query)
    assert sorted(found) == sorted(wanted["run_id"])
    assert len(found) == len(set(found))
    page = client.get(f"/runs?{query}").text
    if query and len(wanted):
        assert f"<h2>{len(wanted)} of these runs</h2>" in page
    if not len(wanted):
        assert "No run is like that." in page


@pytest.mark.parametrize("down", [False, True])
@pytest.mark.parametrize("column", ["run_id", "line", "started_at", "material", "air", "grade",
                                    "recovery", "deck_state", "moisture", "note"])  # fmt: skip
def test_every_column_sorts_the_list(client, exported, column, down):
    # pandas keeps the order of equal rows with this kind of sort; that order is the export's.
    wanted = exported[1].sort_values(column, ascending=not down, kind="stable", na_position="last")
    query = f"sort={column}&order={'down' if down else 'up'}"
    assert listed(client, query) == list(wanted["run_id"])
    page = client.get(f"/runs?{query}").text
    (heading,) = re.findall(r"<th[^>]*aria-sort[^>]*>.*?</th>", page)
    assert f'aria-sort="{"descending" if down else "ascending"}"' in heading
    other = "up" if down else "down"
    assert f"sort={column}&amp;order={other}" in heading  # a second press turns the order round


def test_the_newest_runs_come_first_and_the_choice_is_in_every_address(client, exported):
    newest = exported[1].sort_values("started_at", ascending=False, kind="stable")
    assert listed(client, "") == list(newest["run_id"])
    page = client.get("/runs?text=lot&grade_low=95.3&page=1&empty=&line=").text
    assert "Runs 1 to 100 of " in page
    links = html.unescape(" ".join(re.findall(r'href="([^"]*)"', page)))
    assert "/runs?text=lot&grade_low=95.3&page=2" in links
    assert "/runs.csv?text=lot&grade_low=95.3 " in links
    assert "/runs?text=lot&grade_low=95.3&sort=air" in links
    assert re.search(r'name="text"[^>]* value="lot"', page)


def test_a_page_behind_the_last_is_the_last(client):
    page = client.get("/runs?page=77").text
    assert "Runs 201 to 229 of 229, page 3 of 3" in page


def test_the_figures_are_those_of_the_command(client, served, run, exported):
    options = served[1]
    where = ("--history", options.history, "--site", options.site)
    told = json.loads(run("history", "--json", *where)[1])
    page = client.get("/runs?line=deck-1&sort=run_id&order=up").text
    assert f"<h1>{told['runs']} runs</h1>" in page
    for line in told["lines"]:
        cells = "".join(f'{line[name]}</td><td class="number">' for name in ("runs", "set_points"))
        assert (
            f'<td class="short">{line["line"]}</td><td class="number">{cells}{line["failed"]}<'
            in page
        )
    frame = exported[1].set_index("run_id")
    rows = re.findall(r'<tr><td><a href="/runs/([^?]*)\?.*?</tr>', page)
    assert len(rows) == 100
    for each in rows[:30]:
        (cells,) = re.findall(rf'<tr><td><a href="/runs/{each}\?.*?</tr>', page)
        shown = [html.unescape(c) for c in re.findall(r"<td[^>]*>(?:<a[^>]*>)?([^<]*)", cells)]
        run_ = frame.loc[each]
        when = run_["started_at"]
        start = "–" if pd.isna(when) else f"{when.tz_convert('Asia/Tokyo'):%Y-%m-%d %H:%M}"
        share = [
            "–" if pd.isna(run_[name]) else f"{100 * run_[name]:.2f}"
            for name in ("grade", "recovery")
        ]
        assert shown[:4] == [each, "deck-1", start, run_["material"]]
        assert shown[8:11] == [f"{run_['air']:g}", *share]


def test_a_file_without_a_choice_is_the_export_to_the_byte(client, exported, served, tmp_path, run):
    answer = client.get("/runs.csv")
    assert answer.content == exported[0]
    assert b"'=" not in answer.content  # the notes begin with a letter
    assert answer.headers["content-disposition"] == 'attachment; filename="runs.csv"'
    options = served[1]
    path = tmp_path / "runs.parquet"
    run("history", "--export", path, "--history", options.history, "--site", options.site)
    parquet = client.get("/runs.parquet")
    pd.testing.assert_frame_equal(
        pd.read_parquet(io.BytesIO(parquet.content)), pd.read_parquet(path)
    )
    assert parquet.headers["content-type"] == "application/vnd.apache.parquet"


def test_a_file_holds_what_the_page_shows(client, exported):
    query = "line=deck-1&grade_low=97&sort=air&order=down"
    content = client.get(f"/runs.csv?{query}&page=2").content
    found = pd.read_csv(io.BytesIO(content), dtype={"run_id": str})
    assert list(found["run_id"]) == listed(client, query)
    assert list(found.columns) == list(exported[1].columns)
    both = pd.read_parquet(io.BytesIO(client.get("/runs.parquet?withdrawn=also").content))
    assert list(both.columns) == [*exported[1].columns, "withdrawn"]
    assert list(both[both["withdrawn"]]["run_id"]) == ["r9"]
    assert len(both) == 230


def test_cells_that_a_spreadsheet_would_run_are_harmless(options):
    with client_of(options, **HTML) as client:
        client.post("/v1/runs", json=[row(1, note="=1+1", run_id="@sum")])
        content = client.get("/runs.csv").text
        assert "'=1+1" in content
        assert "'@sum" in content


def test_withdrawn_runs_are_shown_when_asked_for(client):
    assert "r9" not in listed(client, "")
    assert listed(client, "withdrawn=only") == ["r9"]
    assert len(listed(client, "withdrawn=also")) == 230
    page = client.get("/runs?withdrawn=only").text
    assert re.search(r">r9</a> <span class=\"state failed\">withdrawn</span>", page)


def test_an_earlier_version_is_shown_as_it_was(client, served):
    assert "r9" in listed(client, "as_of=0")
    page = client.get("/runs?as_of=0&text=r8").text
    assert "This is version 0 of the history, which cannot be changed." in page
    assert "/runs/r8?line=deck-1&amp;as_of=0" in page
    assert "<h1>230 runs</h1>" in page
    refused = client.get("/runs?as_of=99")
    assert refused.status_code == 422
    assert "has no version 99" in refused.text


FAULTS = [
    ("since", "03/04/2026", "is not a day"), ("until", "2026-02-30", "is not a day"),
    ("grade_low", "0.98", "write per cent"), ("recovery_high", "much", "is not a number"),
    ("state", "sleepy", "Choose one of"), ("withdrawn", "yes", "Choose one of"),
    ("text", "x" * 300, "at most 255"), ("line", "x" * 300, "at most 255"),
]  # fmt: skip


@pytest.mark.parametrize(("field", "typed", "said"), FAULTS)
def test_a_condition_that_cannot_be_read_is_refused_at_its_field(client, field, typed, said):
    page = client.get("/runs", params={field: typed, "grade_high": "98.5"})
    assert page.status_code == 422
    (fault,) = re.findall(rf'<p class="fault" id="fault-{field}">(.*?)</p>', page.text)
    assert said in html.unescape(fault)
    assert f'aria-invalid="true" aria-describedby="fault-{field}"' in page.text
    if field not in ("state", "withdrawn", "line"):
        assert re.search(rf'name="{field}"[^>]* value="{re.escape(typed)}"', page.text)
    assert re.search('name="grade_high"[^>]* value="98.5"', page.text)
    assert not ids(page.text)
    file = client.get("/runs.csv", params={field: typed}, headers={"Accept": "*/*"})
    assert said in problem(file, 422, "invalid-value")["detail"]


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("sort=nothing", "there is no column &#39;nothing&#39;"),
        ("order=left", "expected one of up, down"),
        ("page=one", "not a whole number"),
        ("as_of=-1", "not a whole number"),
    ],
)
def test_an_address_that_no_page_writes_is_refused(client, query, said):
    page = client.get(f"/runs?{query}")
    assert page.status_code == 422
    assert said in page.text


def test_an_empty_history_says_so(options):
    with client_of(options, **HTML) as client:
        page = client.get("/runs")
        assert page.status_code == 200
        assert "There are no runs yet." in page.text
        assert "No run was corrected" in client.get("/changes").text
        assert "The history is empty." in client.get("/versions").text
        assert "0 rejected rows" in client.get("/rejected").text


def test_a_reader_sees_runs_and_a_stranger_none(options):
    with client_of(options, TOKENS, Authorization=f"Bearer {READ}") as reader:
        for path in ("/runs", "/runs.csv", "/changes", "/versions", "/rejected"):
            assert reader.get(path).status_code == 200
    with client_of(options, TOKENS) as stranger:
        for path in ("/runs", "/runs.csv", "/runs/r1", "/changes", "/versions", "/rejected"):
            problem(stranger.get(path), 401, "token-needed")


def test_rejected_rows_stand_in_pages_newest_first(options):
    with client_of(options, **HTML) as client:
        client.post("/v1/runs", json=[row(k, grade=97 + k / 1000) for k in range(130)])
        page = client.get("/rejected").text
        assert "<h1>130 rejected rows</h1>" in page
        shown = re.findall(r'<td class="number">(\d+)</td><td>grade</td>', page)
        older = client.get("/rejected?page=2").text
        shown += re.findall(r'<td class="number">(\d+)</td><td>grade</td>', older)
        assert shown == [str(k) for k in range(130, 0, -1)]
        assert 'href="/rejected?page=2">Older' in page
        assert "page=3" not in older
        assert "130 rejected rows" in client.get("/runs").text
        refused = client.get("/rejected?page=x")
        assert "not a whole number" in refused.text
        assert Path(History(options.history).rejects_folder, "rejected.csv").read_bytes() == (
            client.get("/rejected.csv").content
        )


def test_a_page_is_made_once_until_a_run_is_recorded(tmp_path, monkeypatch):
    made = []
    whole = run_list._rows
    monkeypatch.setattr(run_list, "_rows", lambda *given: (made.append(1), whole(*given))[1])
    options = Configuration(str(tmp_path / "history"), rate=0, planners=0)
    with client_of(options, **HTML) as client:
        client.post("/v1/runs", json=[row(1), row(2)])
        first = client.get("/runs").text
        assert ids(client.get("/runs").text) == ids(first) == ["r2", "r1"]
        assert len(made) == 1
        assert ids(client.get("/runs?text=r2").text) == ["r2"]
        assert len(made) == 2
        client.post("/v1/runs", json=[row(3)])
        assert sorted(ids(client.get("/runs").text)) == ["r1", "r2", "r3"]
        assert len(made) == 3
