"""The command that plants mistakes: which mistakes, which tests, and what it says of them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.mutate import __main__ as mutate
from tests.mutate.mutants import mutants_of

PART = '''"""A part."""
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from a import b

LEAST = 2


def enough(count: int = 1) -> bool:
    """Whether a count is enough."""
    if count < 0:
        raise ValueError(f"{count + 1}")
    return count >= LEAST and not count % 2 == 1
'''
TESTS = '''"""Tests of the part."""
import pytest

from optimizer.room.part import enough


def test_enough():
    assert [enough(k) for k in (1, 2, 3, 4)] == [False, True, False, True]
    with pytest.raises(ValueError):
        enough(-1)
'''


def test_each_mistake_is_one_change_of_one_line():
    found = [(m.line, m.was, m.became) for m in mutants_of("part.py", PART)]
    assert found == [
        (7, "2", "3"),
        (10, "1", "2"),
        (12, "count < 0", "count <= 0"),
        (12, "count < 0", "count >= 0"),
        (12, "0", "1"),
        (13, 'raise ValueError(f"{count + 1}")', "pass"),
        (14, "count >= LEAST and not count % 2 == 1", "count >= LEAST or not count % 2 == 1"),
        (14, "count >= LEAST", "count > LEAST"),
        (14, "count >= LEAST", "count < LEAST"),
        (14, "not count % 2 == 1", "count % 2 == 1"),
        (14, "count % 2 == 1", "count % 2 != 1"),
        (14, "2", "3"),
        (14, "1", "2"),
    ]
    for mutant in mutants_of("part.py", PART):
        lines = zip(PART.splitlines(), mutant.source.splitlines(), strict=True)
        assert [k for k, (a, b) in enumerate(lines, 1) if a != b] == [mutant.line]


def test_a_mistake_in_a_constant_of_a_module_is_a_kind_of_its_own():
    source = "A = 1\n_B: int = 2\nC, D = (3, 4)\ne = 5\nE = f(6)\ndef f():\n    G = 7\n"
    found = {m.line: m.constant for m in mutants_of("a.py", source)}
    assert found == {1: True, 2: True, 3: True, 4: False, 5: True, 7: False}


def test_constants_are_planted_where_they_are_asked_for(tree):
    assert {m.line for m in mutate.sample("room", 99, 0, constants=True)} == {7}
    assert {m.line for m in mutate.sample("room", 99, 0)} == {10, 12, 13, 14}


def test_arguments_change_places_unless_their_order_does_not_matter():
    swapped = [
        m.became
        for m in mutants_of("a.py", "f(x, y, z)\nmax(x, y)\nf(*x, y)\nf(x, x)\nclip(x, 0.0, y)\n")
    ]
    assert swapped == ["pass", "f(y, x, z)", "pass", "pass", "pass", "pass", "1.0"]


def test_a_strict_zip_is_left_alone():
    assert not mutants_of("a.py", "a = zip(x, strict=True)\n")


def test_a_share_is_off_by_a_tenth_and_what_absorbs_rounding_is_left_alone():
    found = [m.became for m in mutants_of("a.py", "A, B, C, D = 0.5, 1e-9, 0.0, True\n")]
    assert found == ["0.55", "1.0", "False"]


@pytest.fixture
def tree(tmp_path, monkeypatch) -> Path:
    """A project of one room with one module and its tests."""
    root = tmp_path / "tree"
    for name, text in (("optimizer/room/part.py", PART), ("tests/room/test_part.py", TESTS)):
        (root / name).parent.mkdir(parents=True)
        (root / name).write_text(text, encoding="utf-8")
    for package in ("optimizer", "optimizer/room", "tests", "tests/room"):
        (root / package / "__init__.py").touch()
    shutil.copytree(mutate.ROOT / "tests" / "mutate", root / "tests" / "mutate")
    monkeypatch.setattr(mutate, "ROOT", root)
    return root


def test_a_noticed_mistake_is_killed_and_one_that_changes_nothing_survives(tree):
    every = {(m.line, m.became): m for m in mutants_of("optimizer/room/part.py", PART)}
    work = [("room", every[12, "count >= 0"]), ("room", every[12, "count <= 0"])]
    found = list(mutate.verdicts(work, 60.0))
    assert [v.outcome for v in found] == [mutate.KILLED, mutate.SURVIVED]
    assert (tree / "optimizer/room/part.py").read_text(encoding="utf-8") == PART
    said = mutate.report(found, "command")
    assert "| room | 2 | 1 | 1 | 0 | 50% |" in said
    assert "- `optimizer/room/part.py:12: count < 0 -> count <= 0` (survived)" in said


def test_the_examples_of_a_module_judge_it_too(tree):
    (tree / "tests/room/test_part.py").write_text("def test_nothing():\n    pass\n")
    with_example = PART.replace("is enough.", "is enough.\n\n    >>> enough(2)\n    True\n    ")
    (tree / "optimizer/room/part.py").write_text(with_example)
    every = {m.became: m for m in mutants_of("optimizer/room/part.py", with_example)}
    (verdict,) = mutate.verdicts([("room", every["count >= 0"])], 60.0)
    assert verdict.outcome == mutate.KILLED


def test_tests_that_the_default_run_leaves_out_judge_too(tree):
    options = '[tool.pytest.ini_options]\naddopts = "-m \'not proof\'"\nmarkers = ["proof"]\n'
    (tree / "pyproject.toml").write_text(options)
    (tree / "tests/room/test_part.py").write_text(
        TESTS.replace("def test_enough", "@pytest.mark.proof\ndef test_enough")
    )
    every = {(m.line, m.became): m for m in mutants_of("optimizer/room/part.py", PART)}
    found = list(mutate.verdicts([("room", every[12, "count >= 0"])], 60.0))
    assert [v.outcome for v in found] == [mutate.KILLED]


def test_a_file_that_takes_too_long_judges_without_its_slow_tests(tree, monkeypatch):
    (tree / "pyproject.toml").write_text("[tool.pytest.ini_options]\n")
    slow = "\n\ndef test_slow():\n    while True:\n        pass\n"
    (tree / "tests/room/test_part.py").write_text(TESTS + slow)
    every = {(m.line, m.became): m for m in mutants_of("optimizer/room/part.py", PART)}
    work = [("room", every[12, "count >= 0"])]
    for name, outcome in (("test_slow", mutate.KILLED), ("test_other", mutate.UNTESTED)):
        name = f"tests/room/test_part.py::{name}"
        monkeypatch.setattr(mutate, "listed", lambda name=name: frozenset([name]))
        assert [v.outcome for v in mutate.verdicts(work, 2.0)] == [outcome]


def test_a_file_of_slow_tests_alone_leaves_a_mistake_untested(tree, monkeypatch):
    slow = "def test_slow():\n    while True:\n        pass\n"
    (tree / "tests/room/test_part.py").write_text(slow)
    monkeypatch.setattr(mutate, "listed", lambda: frozenset(["tests/room/test_part.py::test_slow"]))
    work = [("room", mutants_of("optimizer/room/part.py", PART)[0])]
    assert [v.outcome for v in mutate.verdicts(work, 1.0)] == [mutate.UNTESTED]


def test_no_further_mutant_is_begun_after_the_time(tree):
    work = [("room", mutants_of("optimizer/room/part.py", PART)[0])]
    assert list(mutate.verdicts(work, 60.0, until=0.0)) == []


def test_a_share_is_below_the_floor_where_chance_hardly_explains_it():
    """Of 10 with a true share of 0.85, 3 or fewer are noticed once in 7,000 samples, and 4 or
    fewer once in 750 (binomial, by hand)."""
    (one, *_), kinds = mutants_of("part.py", PART), (mutate.KILLED, mutate.SURVIVED)
    for noticed, low in ((3, True), (4, False)):
        found = [mutate.Verdict("room", one, kinds[k >= noticed]) for k in range(10)]
        untested = mutate.Verdict("room", one, mutate.UNTESTED)
        assert mutate.below([*found, untested], 0.85) is low


def test_tests_that_fail_without_a_mistake_end_the_run(tree):
    (tree / "tests/room/test_part.py").write_text(TESTS.replace("False, True", "True, True", 1))
    work = [("room", mutants_of("optimizer/room/part.py", PART)[0])]
    with pytest.raises(SystemExit, match=r"fail without any mistake: tests/room/test_part\.py"):
        list(mutate.verdicts(work, 60.0))


def test_a_sample_depends_on_the_seed_alone():
    one, again, other = (mutate.sample("campaign", 5, seed) for seed in (1, 1, 2))
    assert one == again != other
    assert len({(m.path, m.line, m.became) for m in one}) == 5


@pytest.mark.parametrize(("floor", "code"), [(0.95, 0), (0.99, 1)])
def test_fewer_noticed_than_the_floor_fails_the_command(monkeypatch, capsys, floor, code):
    """2 or fewer of 4 are noticed by chance once in 71 samples where the share is 0.95, once in
    1,700 where it is 0.99 (binomial, by hand)."""

    def verdicts(work, longest, until):
        for k, (room, mutant) in enumerate(work):
            yield mutate.Verdict(room, mutant, mutate.KILLED if k % 2 else mutate.SURVIVED)

    monkeypatch.setattr(mutate, "verdicts", verdicts)
    asked = ["--rooms", "campaign", "--mutants", "4", "--floor", str(floor)]
    assert mutate.main(asked) == code
    said = capsys.readouterr()
    assert "noticed of the mistakes whose tests ran: 50%" in said.err
    assert "| campaign | 4 | 2 | 2 | 0 | 50% |" in said.out


def test_where_every_test_takes_too_long_nothing_is_known(tree, capsys):
    work = [("room", mutants_of("optimizer/room/part.py", PART)[0])]
    assert [v.outcome for v in mutate.verdicts(work, -1.0)] == [mutate.UNTESTED]


def test_tests_of_a_module_are_those_that_name_it_before_others_of_its_room():
    found = mutate.files_of("planning", "optimizer/planning/search.py")
    room = [name for name in found if name.startswith("tests/planning/")]
    assert room[0] == "tests/planning/test_search.py"
    assert "tests/planning/test_stopping.py" in room
    assert "tests/history/test_table.py" not in found


@pytest.fixture
def users(tree) -> Path:
    """Modules of other rooms that use the part, and what tests them."""
    for name, text in {
        "optimizer/room/part.py": PART,
        "optimizer/hall/user.py": "from optimizer.room.part import enough\n",
        "optimizer/hall/remote.py": "from optimizer.hall import user\n",
        "tests/hall/test_user.py": "from optimizer.hall.user import enough\n",
        "tests/hall/test_remote.py": "import optimizer.hall.remote\n",
        "tests/room/test_part.py": "import optimizer.room.other\n",
    }.items():
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        (tree / name).write_text(text, encoding="utf-8")
    return tree


def test_a_module_that_no_test_names_is_judged_by_tests_of_its_nearest_users_and_its_room(users):
    found = mutate.files_of("room", "optimizer/room/part.py")
    assert found == ["tests/hall/test_user.py", "tests/room/test_part.py"]
    (users / "tests/hall/test_user.py").unlink()
    found = mutate.files_of("room", "optimizer/room/part.py")
    assert found == ["tests/hall/test_remote.py", "tests/room/test_part.py"]


def test_tests_of_other_rooms_judge_where_they_name_the_module_and_those_of_its_own_do_not(users):
    (users / "tests/hall/test_user.py").write_text("import optimizer.room.part\n")
    found = mutate.files_of("room", "optimizer/room/part.py")
    assert found == ["tests/hall/test_user.py", "tests/room/test_part.py"]
    (users / "tests/room/test_part.py").write_text(TESTS)
    assert mutate.files_of("room", "optimizer/room/part.py") == ["tests/room/test_part.py"]
