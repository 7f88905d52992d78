"""A copy of a history that others write to meanwhile is whole, sound and as good as the origin."""

from __future__ import annotations

import json
import threading

import pytest

from cli.main import run as program
from optimizer.errors import InputError
from optimizer.history.history import History
from optimizer.history.storage import backup
from optimizer.history.storage.backup import back_up
from optimizer.history.upkeep import verify
from optimizer.intake.settling.load import load_table
from optimizer.plant.site import Site
from tests.history.test_history import run


def add(history: History, *numbers: int) -> None:
    load_table([run(run_id=f"r{k}", air=20.0 + k % 40) for k in numbers], history)


def ids(history: History) -> list[str]:
    return sorted(history.at().runs()["run_id"].to_pylist())


@pytest.fixture
def history(tmp_path):
    made = History(tmp_path / "mill" / "history")
    for k in range(4):
        add(made, 2 * k, 2 * k + 1)
    return made


@pytest.fixture
def beside(history):
    """The files of a service beside the history, and the site file."""
    folder = history.folder.with_name("history-service")
    for name in ("answers/k.answer", "uploads/u/file/deck.csv", "uploads/u/.half", "form-key"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(name)
    (folder / "form-key").chmod(0o600)
    site = history.folder.with_name("site.toml")
    site.write_text("[site]\nname = 'Mill'\n")
    return [folder, site, folder.with_name("not-there")]


def test_a_copy_has_all_that_cannot_be_made_again(tmp_path, history, beside):
    made = back_up(history.table, tmp_path / "copy", beside)
    assert ids(History(made.history)) == ids(history)
    assert verify(History(made.history), Site()).sound
    found = {str(p.relative_to(tmp_path / "copy")) for p in (tmp_path / "copy").rglob("*")}
    there = {"site.toml", "history-service/form-key", "history-service/uploads/u/file/deck.csv"}
    assert there <= found
    assert not [name for name in found if "answers" in name or ".half" in name]
    assert (tmp_path / "copy/history-service/form-key").stat().st_mode & 0o777 == 0o600
    # Moved elsewhere, it goes on.
    (tmp_path / "copy").rename(tmp_path / "new-machine")
    moved = History(tmp_path / "new-machine" / "history")
    add(moved, 100)
    assert len(ids(moved)) == len(ids(history)) + 1


def test_a_second_copy_takes_only_what_is_new(tmp_path, history):
    first = back_up(history.table, tmp_path / "copy")
    add(history, 50)
    second = back_up(history.table, tmp_path / "copy")
    assert 0 < second.copied < first.copied
    assert second.known >= first.copied - second.copied
    assert ids(History(second.history)) == ids(history)
    assert verify(History(second.history), Site()).sound


def test_what_is_added_meanwhile_does_no_harm(tmp_path, history, monkeypatch):
    before, copy = ids(history), backup._copy
    numbers = iter(range(1000, 2000))

    def slow(path, target, counts, *, afresh=False):
        if not afresh:  # others write while the lock is free
            other = threading.Thread(target=add, args=(History(history.folder), next(numbers)))
            other.start()
            other.join()
        copy(path, target, counts, afresh=afresh)

    monkeypatch.setattr(backup, "_copy", slow)
    made = back_up(history.table, tmp_path / "copy")
    assert ids(History(made.history)) == before
    assert len(ids(history)) > len(before)
    assert verify(History(made.history), Site()).sound


def test_a_copy_that_was_interrupted_is_no_damaged_history(tmp_path, history, monkeypatch):
    copy, left = backup._copy, [5]

    def full(path, target, counts, *, afresh=False):
        left[0] -= 1
        if not left[0]:
            raise OSError(28, "No space left on device")
        copy(path, target, counts, afresh=afresh)

    monkeypatch.setattr(backup, "_copy", full)
    with pytest.raises(InputError, match="No space left"):
        back_up(history.table, tmp_path / "copy")
    monkeypatch.undo()
    made = back_up(history.table, tmp_path / "copy")
    assert verify(History(made.history), Site()).sound


def test_what_cannot_be_copied_is_refused(tmp_path, history):
    with pytest.raises(InputError, match="no history"):
        back_up(History(tmp_path / "none").table, tmp_path / "copy")
    with pytest.raises(InputError, match="object store"):
        back_up(History("s3://bucket/history").table, tmp_path / "copy")
    for inside in (history.folder.parent, history.folder / "copy"):
        with pytest.raises(InputError, match="is part of"):
            back_up(history.table, inside)
    other = History(tmp_path / "copy" / "history")
    add(other, 1)
    with pytest.raises(InputError, match="another history"):
        back_up(history.table, tmp_path / "copy")


def test_the_command_copies_and_verifies(tmp_path, history, beside, monkeypatch, capsys):
    def command(*words: str) -> str:
        monkeypatch.setattr("sys.argv", ["highside", "history", *words])
        with pytest.raises(SystemExit) as ended:
            program()
        assert ended.value.code == 0
        return capsys.readouterr().out

    monkeypatch.chdir(tmp_path / "mill")
    found = json.loads(command("--backup", str(tmp_path / "copy"), "--json"))
    assert (found["schema"], found["verified"]["sound"]) == ("highside.backup/1", True)
    assert found["verified"]["runs"] == 8
    assert (tmp_path / "copy" / "site.toml").exists()
    assert "Sound: 8 runs" in command("--backup", str(tmp_path / "copy"))
