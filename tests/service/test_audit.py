"""The audit trail: what is noted, and that no edit of it goes unseen."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from optimizer import History, verify_audit
from optimizer.errors import HistoryError
from optimizer.intake.settling.load import load_table
from optimizer.service.admission import guard
from optimizer.service.recording.audit import UNFINISHED, Audit
from optimizer.service.recording.audit_chain import BROKEN, COUNT, TRAIL, Head, count_of
from tests.service.test_page import HTML
from tests.service.test_service import (
    READ,
    RECORD,
    TOKENS,
    bearer,
    client_of,
    clock,
    options,
    problem,
    row,
)

__all__ = ["clock", "options"]  # fixtures


def trail_of(folder) -> list[dict]:
    return [json.loads(line) for line in (folder / TRAIL).read_text("utf-8").splitlines()]


def breaks(folder) -> list[tuple[int | None, str]]:
    return [(each.line, each.reason) for each in verify_audit(folder).breaks]


def filled(folder: Path, count: int = 3) -> Path:
    audit = Audit(folder)
    for k in range(count):
        audit.add(did="record", who="Ana", run=f"r{k}")
    return folder


# ------------------------------------------------------------------------------ the chain


def test_entries_are_chained_and_counted(tmp_path):
    filled(tmp_path)
    found = trail_of(tmp_path)
    assert [(e["did"], e["run"], e["n"]) for e in found] == [
        ("record", "r0", 1), ("record", "r1", 2), ("record", "r2", 3)
    ]  # fmt: skip
    assert len({each["chain"] for each in found}) == 3
    health = verify_audit(tmp_path)
    assert (health.lines, health.sound, health.unchained, health.unfinished) == (3, True, 0, False)
    counted = count_of((tmp_path / COUNT).read_bytes())
    assert (counted.lines, counted.size) == (3, (tmp_path / TRAIL).stat().st_size)
    assert [(tmp_path / name).stat().st_mode & 0o777 for name in (TRAIL, COUNT)] == [0o600] * 2


def test_the_chain_is_sha_256_as_a_second_program_computes_it(tmp_path):
    """Outside: sha256sum of GNU coreutils computes the same heads."""
    filled(tmp_path)
    head = subprocess.run(["sha256sum"], input=b"", capture_output=True, check=True).stdout[:64]
    for line in (tmp_path / TRAIL).read_bytes().splitlines():
        assert json.loads(line)["chain"] == head.decode()
        done = subprocess.run(["sha256sum"], input=head + line, capture_output=True, check=True)
        head = done.stdout[:64]
    assert (tmp_path / COUNT).read_bytes().split()[2] == head


def test_an_entry_keeps_its_own_words(tmp_path):
    Audit(tmp_path).add(did="site", before="of the file before", fingerprint="x")
    assert trail_of(tmp_path)[0]["before"] == "of the file before"


def test_nothing_is_there_to_verify(tmp_path):
    assert verify_audit(tmp_path / "none") is None


def test_entries_of_several_processes_make_one_chain(tmp_path):
    several = [Audit(tmp_path) for _ in range(3)]
    with ThreadPoolExecutor(6) as pool:
        list(pool.map(lambda k: several[k % 3].add(did="record", k=k), range(60)))
    assert sorted(each["k"] for each in trail_of(tmp_path)) == list(range(60))
    assert verify_audit(tmp_path).sound


def noted_together(audit: Audit, count: int) -> list[BaseException | None]:
    """What each of some entries was told that were noted at the same time."""

    async def note() -> list[BaseException | None]:
        each = [asyncio.create_task(audit.note(did="refused", k=k)) for k in range(count)]
        await asyncio.sleep(0)
        each[1].cancel()  # its sender has gone
        return list(await asyncio.gather(*each, return_exceptions=True))

    return asyncio.run(note())


def test_entries_that_wait_together_share_a_write(tmp_path, monkeypatch):
    audit, written = Audit(tmp_path), []
    whole = audit._append
    monkeypatch.setattr(audit, "_append", lambda each: (written.append(len(each)), whole(each)))
    told = noted_together(audit, 40)
    assert [each for k, each in enumerate(told) if k != 1] == [None] * 39
    assert sum(written) == 40
    assert len(written) <= 2
    assert [each["k"] for each in trail_of(tmp_path)] == list(range(40))
    assert verify_audit(tmp_path).sound


def test_a_shared_write_that_fails_is_told_to_each(tmp_path):
    (tmp_path / TRAIL).mkdir()
    told = noted_together(Audit(tmp_path), 3)
    assert [type(each) for each in told] == [HistoryError, asyncio.CancelledError, HistoryError]


CHANGES = {
    "edited": (lambda a: [a[0], a[1].replace(b"Ana", b"Eva"), a[2]], (3, "the lines before it")),
    "deleted": (lambda a: [a[0], a[2]], (2, "1 lines before it are missing")),
    "first deleted": (lambda a: a[1:], (1, "1 lines before it are missing")),
    "swapped": (lambda a: [a[1], a[0], a[2]], (1, "1 lines before it are missing")),
    "doubled": (lambda a: [a[0], a[0], a[1], a[2]], (2, "another place")),
    "cut off": (lambda a: a[:2], (None, "the last 1 lines are missing")),
    "all cut off": (lambda a: [], (None, "the last 3 lines are missing")),
    "last edited": (lambda a: [*a[:2], a[2].replace(b"Ana", b"Eva")], (None, "line 3 is not")),
    "added by hand": (lambda a: [*a, b'{"did": "record"}\n'], (4, "it carries no hash")),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_change_is_found_at_its_place_and_stays_found(tmp_path, name):
    change, (line, reason) = CHANGES[name]
    path = filled(tmp_path) / TRAIL
    path.write_bytes(b"".join(change(path.read_bytes().splitlines(keepends=True))))
    first = breaks(tmp_path)[0]
    assert first[0] == line
    assert reason in first[1]
    Audit(tmp_path).add(did="record")
    assert breaks(tmp_path)


def mutated(kind: str, content: bytes, count: bytes, a: int, b: int, some: bytes):
    """A trail and its count with one change; a missing file is None."""
    lines = content.splitlines(keepends=True)
    i, j = a % len(lines), b % len(lines)
    at = a % len(content)
    if kind == "edit":
        return content[:at] + some + content[at + len(some) :], count
    if kind == "insert":
        return content[:at] + some + content[at:], count
    if kind == "delete":
        return b"".join(lines[:i] + lines[i + 1 :]), count
    if kind == "swap":
        lines[i], lines[j] = lines[j], lines[i]
        return b"".join(lines), count
    if kind == "double":
        return b"".join([*lines[:j], lines[i], *lines[j:]]), count
    if kind == "cut":
        return content[:at], count
    if kind == "count":
        at = a % len(count)
        return content, count[:at] + some + count[at + len(some) :]
    if kind == "no count":
        return content[: b % (len(content) + 1)], None
    return None, count


KINDS = ("edit", "insert", "delete", "swap", "double", "cut", "count", "no count", "no trail")


@given(
    notes=st.lists(st.text(max_size=6), min_size=1, max_size=5),
    kind=st.sampled_from(KINDS),
    a=st.integers(0, 2000),
    b=st.integers(0, 2000),
    some=st.binary(min_size=1, max_size=3),
)
def test_any_edit_deletion_swap_or_cut_is_found_and_stays_found(notes, kind, a, b, some):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        audit = Audit(folder)
        for note in notes:
            audit.add(did="record", note=note)
        assert verify_audit(folder).sound
        before = (folder / TRAIL).read_bytes(), (folder / COUNT).read_bytes()
        after = mutated(kind, *before, a, b, some)
        assume(after != before)
        # Without count and without any line of the chain nothing tells that there was one.
        assume(after[1] is not None or b"\n" in (after[0] or b""))
        for path, content in zip((folder / TRAIL, folder / COUNT), after, strict=True):
            path.unlink() if content is None else path.write_bytes(content)
        assert not verify_audit(folder).sound
        for k in range(2):
            audit.add(did="record", k=k)  # the service goes on, and hides nothing by it
            assert not verify_audit(folder).sound
        last = json.loads((folder / TRAIL).read_bytes().splitlines()[-1])
        assert (last["did"], last["k"]) == ("record", 1)


def test_what_was_found_changed_is_noted_once(tmp_path):
    path = filled(tmp_path) / TRAIL
    path.write_bytes(path.read_bytes()[:-40])
    for _ in range(3):
        Audit(tmp_path).add(did="record")
    noted = [line for line in path.read_bytes().splitlines() if BROKEN.encode() in line]
    assert len(noted) == 1


def test_a_kill_between_a_line_and_its_count_is_no_change(tmp_path):
    filled(tmp_path, 2)
    count = (tmp_path / COUNT).read_bytes()
    filled(tmp_path, 1)
    (tmp_path / COUNT).write_bytes(count)
    assert verify_audit(tmp_path).sound
    filled(tmp_path, 1)
    assert verify_audit(tmp_path).sound
    assert [each["n"] for each in trail_of(tmp_path)] == [1, 2, 3, 4]


def test_a_half_line_after_a_power_cut_is_no_change_and_is_kept(tmp_path):
    path = filled(tmp_path, 2) / TRAIL
    with path.open("ab") as file:
        file.write(b'{"at": "2026-11-30T12:00:00.000+00:00", "did": "rec\xff')
    health = verify_audit(tmp_path)
    assert (health.sound, health.unfinished, health.lines) == (True, True, 2)
    filled(tmp_path, 1)
    noted, entry = trail_of(tmp_path)[2:]
    assert (noted["did"], noted["text"][-4:]) == (UNFINISHED, "rec\ufffd")
    assert (entry["did"], entry["n"]) == ("record", 4)
    assert verify_audit(tmp_path) == health.__class__(str(path), 4)


def test_lines_of_an_earlier_version_are_covered_by_the_first_of_the_chain(tmp_path):
    path = tmp_path / TRAIL
    path.write_bytes(b'{"did": "record", "who": "Ana"}\n{"did": "sign-in"}\n')
    assert verify_audit(tmp_path).sound
    filled(tmp_path, 2)
    health = verify_audit(tmp_path)
    assert (health.sound, health.lines, health.unchained) == (True, 4, 2)
    assert [each.get("did") for each in trail_of(tmp_path)][:2] == ["record", "sign-in"]
    path.write_bytes(path.read_bytes().replace(b"Ana", b"Eva"))
    assert breaks(tmp_path)[0][0] == 3


def test_entries_are_valid_json_whatever_they_say(tmp_path):
    Audit(tmp_path).add(did="record", note="a\ud800b\n\x1b[2J", x=float("nan"))
    (line,) = (tmp_path / TRAIL).read_bytes().splitlines()
    found = json.loads(line, parse_constant=lambda name: pytest.fail(name))
    assert (found["note"], found["x"]) == ("a\\ud800b\n\x1b[2J", None)
    assert b"\x1b" not in line
    assert b"\\ud800b" not in line.replace(b"\\\\ud800b", b"")


def test_a_full_disk_is_said_and_the_next_entry_mends_it(tmp_path, monkeypatch):
    filled(tmp_path, 1)
    write = os.write

    def half(handle: int, content: bytes) -> int:
        write(handle, content[:20])
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("optimizer.service.recording.audit.os.write", half)
        with pytest.raises(HistoryError, match="No space left on device"):
            Audit(tmp_path).add(did="record")
    filled(tmp_path, 1)
    assert [each["did"] for each in trail_of(tmp_path)] == ["record", UNFINISHED, "record"]
    assert verify_audit(tmp_path).sound


# ----------------------------------------------------------------------------- what is noted


def test_every_sign_in_refusal_and_change_is_noted(options):
    with client_of(options, TOKENS) as client:
        client.get("/v1/history?secret=in-the-query")
        client.get("/v1/history", headers=bearer("wrong-token-of-somebody"))
        client.post("/v1/runs", json=[row(1)], headers=bearer(READ))
        client.post("/sign-in", data={"token": "wrong-token-of-somebody"})
        client.post("/v1/runs", json=[row(1), row(2)], headers=bearer(RECORD))
        client.patch("/v1/runs/r1", json={"air": 38, "reason": "typo"}, headers=bearer(RECORD))
        client.delete("/v1/runs/r2?reason=mixed", headers=bearer(RECORD))
        client.post("/sign-in", data={"token": RECORD})
        page = client.get("/runs", headers=HTML).text
        client.post("/sign-out", data={"form_token": "0" * 64})
        token = page.partition('name="form_token" value="')[2].partition('"')[0]
        client.post("/sign-out", data={"form_token": token})
    found = trail_of(options.folder)
    assert [(e["did"], e.get("status"), e["who"], e.get("why")) for e in found] == [
        ("refused", 401, None, "token-needed"),
        ("refused", 401, None, "token-needed"),
        ("refused", 403, "office", "read-only"),
        ("sign-in-failed", 403, None, "unknown-token"),
        ("record", None, "mill", None),
        ("corrected", None, "mill", None),
        ("withdrawn", None, "mill", None),
        ("sign-in", None, "mill", None),
        ("refused", 403, "mill", "other-form"),
        ("sign-out", None, "mill", None),
    ]
    assert {(e["from"], len(e["request"])) for e in found} == {("testclient", 16)}
    assert (found[0]["method"], found[0]["path"]) == ("GET", "/v1/history")
    text = (options.folder / TRAIL).read_text("utf-8")
    assert not [word for word in (READ, RECORD, "wrong-token", "in-the-query") if word in text]
    assert verify_audit(options.folder).sound


def test_nobody_fills_the_trail_without_a_token(options, clock, monkeypatch):
    monkeypatch.setattr(guard, "REFUSALS_A_MINUTE", 3)
    with client_of(options, TOKENS) as client:
        answers = [client.get("/v1/history") for _ in range(6)]
        assert [a.status_code for a in answers] == [401] * 3 + [429] * 3
        problem(answers[5], 429, "too-many-requests")
        other = {"Sec-Fetch-Site": "cross-site"}
        assert client.post("/sign-in", data={"token": "x"}, headers=other).status_code == 429
        # Whoever has a token is answered all the same.
        assert client.get("/v1/history", headers=bearer(READ)).status_code == 200
        clock.seconds = 21.0
        assert client.get("/v1/history").status_code == 401
    assert len(trail_of(options.folder)) == 4


def test_a_refusal_holds_also_where_it_cannot_be_noted(options, caplog):
    with client_of(options, TOKENS) as client:
        options.folder.mkdir(exist_ok=True)
        (options.folder / TRAIL).mkdir()
        problem(client.get("/v1/history"), 401, "token-needed")
    (said,) = [record for record in caplog.records if record.getMessage() == "audit"]
    assert (said.fields["status"], "audit" in said.fields["reason"]) == (401, True)


# ----------------------------------------------------------------------------- on the terminal


@pytest.fixture
def verified(tmp_path, monkeypatch, capsys):
    from cli import main as cli

    load_table([row(1)], History(tmp_path / "history"))
    monkeypatch.chdir(tmp_path)

    def run(*words: str) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["highside", "history", "--verify", *words])
        with suppress(SystemExit) as _, pytest.raises(SystemExit) as stop:
            cli.run()
        return stop.value.code or 0, capsys.readouterr().out

    return run


def test_history_verify_checks_the_trail_beside_its_history(tmp_path, verified):
    code, out = verified()
    assert (code, "udit" in out) == (0, False)
    assert json.loads(verified("--json")[1])["audit"] is None
    path = filled(tmp_path / "history-service") / TRAIL
    code, out = verified()
    assert (code, "Audit trail as it was written: 3 lines" in out) == (0, True)
    path.write_bytes(path.read_bytes().replace(b"r1", b"r7"))
    code, out = verified()
    assert code == 3
    assert "was changed" in out
    assert "Line 3: the lines before it are not those" in out
    code, out = verified("--json")
    said = json.loads(out)
    assert (code, said["sound"], said["audit"]["sound"]) == (3, True, False)
    assert [each["line"] for each in said["audit"]["breaks"]] == [3]
    filled(tmp_path / "elsewhere")
    assert verified("--state", "elsewhere")[0] == 0


def test_a_count_is_always_as_long():
    assert len(Head().as_count()) == len(Head(10**9, 10**12, "f" * 64).as_count()) == 94
    assert count_of(Head(7, 8, "a" * 64).as_count()) == Head(7, 8, "a" * 64)
    assert count_of(b"") is None
