"""Lines compared by density fractions: curves with errors, and files that are refused."""

from __future__ import annotations

import json

import numpy as np
import pytest

from optimizer import InputError, Site, compare
from optimizer.comparison import ComparisonRequest, read_fractions
from optimizer.comparison.density_fractions import Fractions, compare_curves
from optimizer.history.snapshot import Snapshot
from tests.benchmarks.simulated_lines import make_set

EDGES = np.linspace(1.0, 1.6, 13)
MIDDLE = 0.5 * (EDGES[:-1] + EDGES[1:])
HEADINGS = "line,density_low [g/cm3],density_high [g/cm3],mass_product [g],mass_reject [g]"


def shares(cut: float, ep: float, noise: float, rng) -> np.ndarray:
    """Partition numbers of the twelve density classes, read with noise; shape (12,)."""
    true = 1.0 / (1.0 + np.exp(-np.log(3.0) * (MIDDLE - cut) / ep))
    return np.clip(true + noise * rng.standard_normal(len(true)), 0.0, 1.0)


def fractions_of(read: dict[str, np.ndarray]) -> Fractions:
    names = [name for name in read for _ in MIDDLE]
    share = np.concatenate(list(read.values()))
    low, high = np.tile(EDGES[:-1], len(read)), np.tile(EDGES[1:], len(read))
    return Fractions(tuple(names), low, high, 100.0 * share, 100.0 * (1.0 - share), "g/cm3")


def rows_of(read: dict[str, np.ndarray]) -> list[str]:
    return [
        f"{name},{a:.2f},{b:.2f},{100 * p:.3f},{100 * (1 - p):.3f}"
        for name, share in read.items()
        for a, b, p in zip(EDGES[:-1], EDGES[1:], share, strict=True)
    ]


def test_intervals_cover_the_truth_and_the_sharper_deck_is_named_as_often_as_stated():
    # 150 pairs of decks, seed 3; errors of 3 points per fraction. 90 % of the intervals should
    # cover the truth; there are 300 of each kind, so the standard error is 1.7 %.
    rng = np.random.default_rng(3)
    held, said, right = {"cut_density": [], "probable_error": []}, [], []
    for k in range(150):
        true = {name: (rng.uniform(1.25, 1.35), rng.uniform(0.04, 0.06)) for name in "ab"}
        read = {name: shares(*t, 0.03, rng) for name, t in true.items()}
        found = compare_curves(fractions_of(read), seed=k).as_dict()
        for line in found["lines"]:
            for key, value in zip(held, true[line["line"]], strict=True):
                held[key].append(line[key]["low"] <= value <= line[key]["high"])
        first = found["lines"][0]
        said.append(first["chance_sharpest"])
        right.append(true[first["line"]][1] == min(ep for _, ep in true.values()))
    for key, inside in held.items():
        assert 0.85 <= np.mean(inside) <= 0.95, (key, np.mean(inside))
    assert np.mean(right) == pytest.approx(np.mean(said), abs=0.09)
    assert np.mean(right) > 0.7


def test_a_file_becomes_curves_beside_the_comparison(tmp_path):
    rng = np.random.default_rng(8)
    read = {"line-1": shares(1.3, 0.05, 0.01, rng), "other": shares(1.35, 0.03, 0.01, rng)}
    path = tmp_path / "fractions.csv"
    # Fractions open below or above have no mean density; a fraction without mass has no share.
    more = ["line-1,,1.0,0,5", "line-1,1.6,,5,0", "other,1.6,1.7,0,0"]
    path.write_text("\n".join([HEADINGS, *rows_of(read), *more]) + "\n", encoding="utf-8")
    # There are too few runs for a comparison, but a curve needs no runs.
    runs = make_set("beans", 77, lines=1, days=20).runs.slice(0, 3)
    fractions, snapshot = read_fractions(path), Snapshot.of_table(runs)
    document = compare(snapshot, Site(), request=ComparisonRequest(fractions=fractions)).as_dict()
    json.dumps(document, allow_nan=False)
    found = document["partition"]
    assert found["unit"] == "g/cm3"
    assert [line["line"] for line in found["lines"]] == ["other", "line-1"]
    sharp, blunt = found["lines"]
    assert sharp["probable_error"]["mean"] == pytest.approx(0.03, abs=0.004)
    assert blunt["cut_density"]["mean"] == pytest.approx(1.3, abs=0.01)
    assert (sharp["left_out"], blunt["left_out"]) == (1, 2)
    request = ComparisonRequest(fractions=fractions, anonymous=True)
    hidden = compare(snapshot, Site(), request=request).as_dict()
    assert {line["line"] for line in hidden["partition"]["lines"]} == {"line A", "line B"}
    assert "line-1" not in json.dumps(hidden)
    assert "other" not in json.dumps(hidden)


def test_lines_without_a_curve_give_the_reason():
    rng = np.random.default_rng(1)
    good = shares(1.3, 0.05, 0.01, rng)
    steep = (MIDDLE > 1.3).astype(float)
    found = compare_curves(
        fractions_of({"good": good, "falling": 1.0 - good, "steep": steep}),
        ["good", "falling", "steep", "absent"],
    ).as_dict()
    assert [line["line"] for line in found["lines"]] == ["good"]
    why = {left["line"]: left["reason"] for left in found["not_compared"]}
    assert "fall as density rises" in why["falling"]
    assert "on the slope" in why["steep"]
    assert "no density fractions" in why["absent"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (HEADINGS + "\n", "no rows"),
        ("line,density_low,density_high,mass_product\na,1,2,3\n", "no column for mass_reject"),
        (HEADINGS + "\na,1.2,1.1,3,4\n", "1.2 is not below"),
        (HEADINGS + "\na,1.0,1.1,3,-4\n", "mass_reject '-4': is below 0"),
        (HEADINGS + "\na,1.0,1.1,three,4\n", "mass_product 'three'"),
        (HEADINGS + "\na,1.0,1.1,,4\n", "mass_product .*missing"),
        (HEADINGS + "\n,1.0,1.1,3,4\n", "row .*the line is missing"),
        (HEADINGS.replace("reject [g]", "reject [kg]") + "\na,1,1.1,3,4\n", "mass_reject in 'kg'"),
    ],
)
def test_faulty_files_are_refused(tmp_path, text, message):
    path = tmp_path / "fractions.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        read_fractions(path)


def test_a_missing_file_is_refused():
    with pytest.raises(InputError, match="does not exist"):
        read_fractions("none.csv")
