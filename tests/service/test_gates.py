"""Runs of a line with air gates over HTTP: sent, listed, shown and corrected by their names."""

from __future__ import annotations

import pytest

from optimizer import History, Site
from tests.service.test_service import client_of, options, problem, row

__all__ = ["options"]  # a fixture
GATES = ("air_1", "air_2", "air_3")


@pytest.fixture
def client(options):
    with open(options.site, "a", encoding="utf-8") as site:
        site.write("\n[lines.deck-3.settings.air]\ngates = 3\n\n[lines.deck-1]\n")
    with client_of(options) as made:
        yield made


def airs(options, run_id):
    runs = History(options.history).at().runs(Site.read(options.site)).to_pylist()
    (run,) = (run for run in runs if run["run_id"] == run_id)
    return tuple(run[name] for name in ("air", *GATES))


def sent(client):
    gated = {name: value for name, value in row(1, line="deck-3").items() if name != "air"}
    rows = [
        row(0),
        {**gated, "air_1": 30, "air_2": 35, "air_3": 40},
        row(2, line="deck-3"),
    ]
    return client.post("/v1/runs", json=rows)


def test_runs_are_sent_with_all_gates_or_one_value(client, options):
    answer = sent(client)
    assert (answer.status_code, answer.json()["added"]) == (200, 3), answer.text
    assert airs(options, "r0") == (37, None, None, None)
    assert airs(options, "r1") == (None, 30, 35, 40)
    assert airs(options, "r2") == (None, 37, 37, 37)


def test_one_gate_or_all_are_corrected(client, options):
    sent(client)
    change = {"reason": "misread", "line": "deck-3", "settings": {"air_2": 33}}
    assert client.patch("/v1/runs/r1", json=change).status_code == 200
    assert airs(options, "r1") == (None, 30, 33, 40)
    change["settings"] = {"air": 44}
    assert client.patch("/v1/runs/r1", json=change).status_code == 200
    assert airs(options, "r1") == (None, 44, 44, 44)
    change["settings"] = {"air_4": 44}
    found = problem(client.patch("/v1/runs/r1", json=change), 422, "input")
    assert "'air_4' is not a field of a run" in found["detail"]


@pytest.mark.parametrize("path", ["/runs", "/runs/r1", "/runs/r0", "/plant"])
def test_pages_show_gates(client, path):
    sent(client)
    page = client.get(path, headers={"Accept": "text/html"})
    assert page.status_code == 200
    if path != "/plant":
        assert "Air gate 2" in page.text
