"""Named tokens: their file, their roles and ends, and what a running service makes of changes."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import pytest

from optimizer import named_tokens, new_token, revoke_token
from optimizer.errors import InputError
from optimizer.service.admission.access import Access, Person, digest
from optimizer.service.admission.current_tokens import CurrentTokens
from optimizer.service.admission.token_file import Token, end_of, line_of, read_tokens
from tests.service.test_page import HTML
from tests.service.test_service import bearer, client_of, options, problem, row

__all__ = ["options"]  # fixture

HASH = "ab" * 32


@pytest.fixture
def file(tmp_path, monkeypatch):
    for variable in ("HIGHSIDE_TOKEN", "HIGHSIDE_READ_TOKEN"):
        monkeypatch.delenv(variable, raising=False)
    return tmp_path / "tokens.toml"


def written(file, text: str):
    file.write_text(text, encoding="utf-8")
    file.chmod(0o600)
    return file


@contextmanager
def service(options, file, **headers):
    from starlette.testclient import TestClient

    from optimizer.service.http.app import create_app

    app = create_app(options, Access({}, b"k" * 32, CurrentTokens(file)))
    with TestClient(app, headers=headers, raise_server_exceptions=False) as client:
        yield client


# ------------------------------------------------------------------------------- the file


def test_a_new_token_is_shown_once_and_only_its_hash_is_kept(file):
    made = new_token(file, " Ana ", "record", "2999-03-31")
    assert made.entry == read_tokens(file)[0]
    assert (made.entry.name, made.entry.role) == ("Ana", "record")
    assert made.entry.expires == date(2999, 3, 31)
    text = file.read_text()
    assert made.token not in text
    assert digest(made.token) in text
    assert made.token not in str(named_tokens(file).as_dict())
    assert digest(made.token) not in str(named_tokens(file).as_dict())


def test_the_file_belongs_to_its_owner_alone_from_its_first_byte_on(file, monkeypatch):
    modes, replace = [], os.replace

    def watched(hidden, target):
        modes.append(os.stat(hidden).st_mode & 0o777)
        replace(hidden, target)

    monkeypatch.setattr("optimizer.files.os.replace", watched)
    new_token(file, "Ana", "read")
    new_token(file, "Ben", "read")
    assert [*modes, file.stat().st_mode & 0o777] == [0o600] * 3


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o620, 0o602, 0o666])
def test_a_file_that_is_open_to_others_is_refused(file, mode):
    new_token(file, "Ana", "read")
    file.chmod(mode)
    with pytest.raises(InputError, match=f"mode {mode:03o}.*600") as refused:
        CurrentTokens(file)
    assert "chmod 600" in refused.value.hint
    for act in (lambda: new_token(file, "Ben", "read"), lambda: revoke_token(file, "Ana")):
        with pytest.raises(InputError, match="open to other users"):
            act()


def test_comments_and_hand_made_entries_stay(file):
    written(file, f"# ours\n[tokens.lab]  # room 2\nrole = 'record'\nsha256 = '{HASH.upper()}'\n")
    made = new_token(file, "Ana", "read")
    revoke_token(file, "lab")
    assert file.read_text().startswith("# ours\n[tokens.lab]  # room 2\nrole = 'record'\n")
    lab, ana = read_tokens(file)
    assert (lab.sha256, lab.state(datetime.now(UTC))) == (HASH, "revoked")
    assert ana == made.entry


FAULTS = {
    "not TOML": ("[tokens.ana]\nrole = read\n", r"not valid TOML: .*line 2"),
    "other key": ("x = 1\n", r"tokens.toml, line 1: unknown key 'x'"),
    "no table": ("tokens = 1\n", r"line 1: 'tokens' is not a table"),
    "flat": ("[tokens]\nana = 'x'\n", r"line 2: 'ana' is not a table"),
    "no role": (
        f"\n[tokens.ana]\nsha256 = '{HASH}'\n",
        r"line 2: tokens.ana: role: Field required",
    ),
    "role": (
        f"[tokens.ana]\nsha256 = '{HASH}'\n\nrole = 'admin'\n",
        r"line 4: tokens.ana: role: Input should be 'read' or 'record'",
    ),
    "hash": ("[tokens.ana]\nrole = 'read'\nsha256 = 'abc'\n", r"line 3: tokens.ana: sha256"),
    "key": (
        f"[tokens.ana]\nrole = 'read'\nsha256 = '{HASH}'\nexpire = 2027-01-01\n",
        r"line 4: tokens.ana: unknown key 'expire'",
    ),
    "end": (
        f"[tokens.ana]\nrole = 'read'\nsha256 = '{HASH}'\nexpires = 'soon'\n",
        r"line 4: tokens.ana: expires: Expected a date without quotes, such as 2027-03-31",
    ),
    "same hash": (
        f"[tokens.ana]\nrole = 'read'\nsha256 = '{HASH}'\n"
        f"[tokens.ben]\nrole = 'read'\nsha256 = '{HASH.upper()}'\n",
        r"line 6: 'ben' has the token of 'ana'",
    ),
    "same name": (
        f"[tokens.'Jose\u0301']\nrole = 'read'\nsha256 = '{HASH}'\n"
        f"[tokens.'Jos\u00e9']\nrole = 'read'\nsha256 = '{HASH[::-1]}'\n",
        r"line 4: a second token is named 'José'",
    ),
    "direction": (
        f'[tokens."a\\u202eb"]\nrole = "read"\nsha256 = "{HASH}"\n',
        r"line 1: the name of a token, 'a\\u202eb', holds a control character or a mark of writing",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_wrong_file_is_refused_with_its_line(file, name):
    text, said = FAULTS[name]
    written(file, text)
    with pytest.raises(InputError, match=said):
        CurrentTokens(file)
    with pytest.raises(InputError, match=said):
        new_token(file, "Cem", "read")
    assert file.read_text() == text


def test_a_missing_file_is_refused_with_how_to_make_it(file):
    with pytest.raises(InputError, match="does not exist") as refused:
        Access.from_environment(str(file))
    assert "highside token new" in refused.value.hint


def test_a_line_is_found_also_where_keys_are_dotted_or_inline():
    text = "a = 1\ntokens.ana = {role = 'read',\n  x = 2}\n".replace(",\n  ", ", ")
    assert line_of(text, ("tokens", "ana", "x")) == 2
    assert line_of("[tokens]\n'a.b'.role = 'read'\n", ("tokens", "a.b", "role")) == 2


REFUSED = {
    "empty": (" ", None, "has 0 characters"),
    "long": ("x" * 61, None, "has 61 characters"),
    "control": ("a\x1b[2J", None, r"'a\\x1b\[2J', holds a control character"),
    "of the environment": ("recorder", None, "a token of the environment"),
    "no date": ("Ana", "tomorrow", "'tomorrow' is not a date"),
    "past": ("Ana", "2001-01-01", "in the past"),
    "past moment": ("Ana", "2001-01-01T00:00+02:00", "in the past"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_no_token_can_be_made_of_is_refused(file, name):
    who, expires, said = REFUSED[name]
    with pytest.raises(InputError, match=said):
        new_token(file, who, "read", expires)
    assert not file.exists()


def test_a_name_has_one_valid_token(file):
    first = new_token(file, "Jose\u0301", "read")
    with pytest.raises(InputError, match="'José' has a valid token") as refused:
        new_token(file, "Jos\u00e9", "record")
    assert "highside token revoke" in refused.value.hint
    revoke_token(file, "Jos\u00e9")
    with pytest.raises(InputError, match="was revoked at"):
        revoke_token(file, "José")
    second = new_token(file, "José", "record")
    assert read_tokens(file) == (second.entry,)
    assert first.token != second.token
    with pytest.raises(InputError, match=r"has no token of 'Jos'.*Did you mean 'José'"):
        revoke_token(file, "Jos")


def test_tokens_that_are_made_at_once_are_all_kept(file):
    names = [f"p{k}" for k in range(12)]
    with ThreadPoolExecutor(6) as pool:
        made = list(pool.map(lambda name: new_token(file, name, "read"), names))
    assert {each.name for each in read_tokens(file)} == set(names)
    assert len({each.token for each in made}) == 12


def test_a_day_ends_at_midnight_utc():
    last = Token("Ana", "read", HASH, expires=date(2027, 3, 31))
    assert last.state(datetime(2027, 3, 31, 23, 59, 59, tzinfo=UTC)) == "valid"
    assert last.state(datetime(2027, 4, 1, tzinfo=UTC)) == "expired"
    assert end_of(datetime(2027, 3, 31, 12)) == datetime(2027, 3, 31, 12, tzinfo=UTC)


# ------------------------------------------------------------------- a running service


def test_named_tokens_of_an_older_file_keep_working(file):
    hashed = digest("the laboratory's own")
    written(file, f'[tokens.laboratory]\nrole = "record"\nsha256 = "{hashed}"\n')
    access = Access.from_environment(str(file))
    assert access.by_token("the laboratory's own") == Person("laboratory", "record")


def test_a_running_service_obeys_new_and_revoked_tokens_at_once(options, file):
    ana = new_token(file, "Ana", "record").token
    with service(options, file) as client:
        assert client.get("/v1/history", headers=bearer(ana)).status_code == 200
        ben = new_token(file, "Ben", "read").token
        problem(client.post("/v1/runs", json=[row(1)], headers=bearer(ben)), 403, "read-only")
        revoke_token(file, "Ana")
        problem(client.get("/v1/history", headers=bearer(ana)), 401, "token-needed")
        assert client.get("/v1/history", headers=bearer(ben)).status_code == 200
        revoke_token(file, "Ben")
        # With a file nobody is let in without a token, also when no token is left.
        problem(client.get("/v1/history"), 401, "token-needed")


def test_an_expired_token_is_refused(options, file, monkeypatch):
    until = datetime.now(UTC) + timedelta(hours=1)
    ana = new_token(file, "Ana", "record", until.isoformat()).token
    with service(options, file) as client:
        assert client.get("/v1/history", headers=bearer(ana)).status_code == 200
        later = SimpleNamespace(now=lambda zone: until)
        monkeypatch.setattr("optimizer.service.admission.current_tokens.datetime", later)
        problem(client.get("/v1/history", headers=bearer(ana)), 401, "token-needed")


@pytest.mark.parametrize("fault", ["gone", "open to others", "not TOML"])
def test_no_token_of_a_file_that_cannot_be_used_is_known_until_it_is_mended(
    options, file, fault, caplog
):
    ana = new_token(file, "Ana", "record").token
    kept = file.read_text()
    with service(options, file) as client:
        if fault == "gone":
            file.unlink()
        elif fault == "not TOML":
            written(file, "[tokens.")
        else:
            file.chmod(0o644)
        problem(client.get("/v1/history", headers=bearer(ana)), 401, "token-needed")
        problem(client.get("/v1/history", headers=bearer(ana)), 401, "token-needed")
        said = [r for r in caplog.records if r.getMessage() == "tokens unusable"]
        assert len(said) == 1
        assert str(file) in said[0].fields["reason"]
        written(file, kept)
        assert client.get("/v1/history", headers=bearer(ana)).status_code == 200


# ------------------------------------------------------------------------- sessions end


def signed_in(client, token: str):
    done = client.post("/sign-in", data={"token": token}, follow_redirects=False)
    assert done.status_code == 303
    return client


def test_a_session_ends_with_its_token(options, file):
    ana, ben = (new_token(file, name, "record").token for name in ("Ana", "Ben"))
    with service(options, file, **HTML) as client:
        signed_in(client, ana)
        assert client.get("/runs").status_code == 200
        revoke_token(file, "Ana")
        assert client.get("/runs").status_code == 401
        # A new token of the same name and role does not take the session back.
        new_token(file, "Ana", "record")
        assert client.get("/runs").status_code == 401
        signed_in(client, ben)
        assert client.get("/runs").status_code == 200


def test_a_session_ends_when_the_role_of_its_token_changes(options, file):
    ana = new_token(file, "Ana", "record").token
    with service(options, file, **HTML) as client:
        signed_in(client, ana)
        assert "Add a log" in client.get("/runs").text
        written(file, file.read_text().replace('"record"', '"read"'))
        assert client.get("/runs").status_code == 401
        assert "Add a log" not in signed_in(client, ana).get("/runs").text


def test_signing_out_ends_the_session_in_the_service(options, file):
    ana = new_token(file, "Ana", "record").token
    with service(options, file, **HTML) as client:
        signed_in(client, ana)
        cookies = dict(client.cookies)
        page = client.get("/runs").text
        token = page.partition('name="form_token" value="')[2].partition('"')[0]
        done = client.post("/sign-out", data={"form_token": token}, follow_redirects=False)
        assert done.headers["location"] == "/sign-in"
        client.cookies.update(cookies)  # somebody kept a copy of the cookie
        assert client.get("/runs").status_code == 401
        assert not list((options.folder / "sessions").iterdir())


def test_whoever_reads_the_files_of_the_service_cannot_sign_in(options, file):
    """The key that signed sessions once followed from the token file."""
    ana = new_token(file, "Ana", "record").token
    with service(options, file, **HTML) as client:
        signed_in(client, ana)
        (session,) = client.cookies.values()
        client.cookies.clear()
        files = [path for path in options.folder.parent.rglob("*") if path.is_file()]
        assert file in files
        seen = b"\n".join(path.read_bytes() for path in files)
        assert session.encode() not in seen
        assert ana.encode() not in seen
        (stored,) = (options.folder / "sessions").iterdir()
        assert stored.stat().st_mode & 0o777 == 0o600
        for guess in (stored.name, digest(ana), stored.read_text(), "../audit.jsonl", "a" * 43):
            client.cookies.clear()
            client.cookies.set("highside_session", guess.replace('"', "").replace(";", ""))
            assert client.get("/runs").status_code == 401


def test_a_damaged_session_is_none(options, file):
    ana = new_token(file, "Ana", "record").token
    with service(options, file, **HTML) as client:
        signed_in(client, ana)
        (stored,) = (options.folder / "sessions").iterdir()
        for content in (b"", b"[]", b"null", b'{"token": 1}', b"\xff"):
            stored.write_bytes(content)
            assert client.get("/runs").status_code == 401


def test_two_services_of_one_folder_share_sessions_and_a_restart_ends_none(options, file):
    ana = new_token(file, "Ana", "record").token
    with service(options, file, **HTML) as first, service(options, file, **HTML) as second:
        second.cookies.update(dict(signed_in(first, ana).cookies))
        assert second.get("/runs").status_code == 200
    with client_of(options, {digest("x" * 20): Person("x", "read")}, **HTML) as other:
        other.cookies.update(dict(second.cookies))
        assert other.get("/runs").status_code == 401  # not a token of this service
    with service(options, file, **HTML) as again:
        again.cookies.update(dict(second.cookies))
        assert again.get("/runs").status_code == 200
