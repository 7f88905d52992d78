"""Slow tests run as proofs: the list names tests that exist, and leaves the others alone."""

from __future__ import annotations

import ast
from pathlib import Path

from tests.slow import ALWAYS, is_slow, listed

ROOT = Path(__file__).resolve().parents[1]


def test_the_list_names_tests_that_exist():
    missing = []
    for name in listed():
        path, *inside = name.split("::")
        tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
        names = {n.name for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)}
        if inside[-1] not in names:
            missing.append(name)
    assert not missing, "Measure again: python -m tests.slow"


def test_a_case_of_a_listed_function_and_a_test_in_a_browser_are_slow():
    named = frozenset({"tests/a/test_a.py::test_one"})
    assert is_slow("tests/a/test_a.py::test_one[7-x]", named)
    assert is_slow("tests/outside/test_page_browser.py::test_any", named)
    assert not is_slow("tests/a/test_a.py::test_one_more", named)


def test_rules_of_structure_run_by_default():
    assert listed() >= ALWAYS
    assert not any(is_slow(name, listed()) for name in ALWAYS)


def test_this_test_is_not_slow(request):
    assert request.node.get_closest_marker("proof") is None
