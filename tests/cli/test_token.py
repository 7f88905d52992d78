"""The command ``token``: its answers, exit codes and refusals."""

from __future__ import annotations

import json

import pytest

from optimizer.service.admission.access import Access


@pytest.fixture
def file(tmp_path, monkeypatch):
    for variable in ("HIGHSIDE_TOKEN", "HIGHSIDE_READ_TOKEN"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.chdir(tmp_path)
    return tmp_path / "tokens.toml"


@pytest.mark.parametrize("words", [(), ("new",), ("list",), ("revoke",)])
def test_each_command_has_help_with_an_example(run, words):
    code, out, _ = run("token", *words, "--help")
    assert code == 0
    assert f"Example: highside {' '.join(('token', *words))}" in out


def test_a_token_that_is_printed_once_admits_its_owner_until_it_is_revoked(run, file):
    code, out, err = run(
        "token", "new", "Ana", "--role", "record", "--expires", "2999-01-31", "--tokens", file
    )
    assert (code, err) == (0, "")
    assert "The token of Ana, who may record, valid until 2999-01-31:" in out
    token = out.splitlines()[2].strip()
    person = Access.from_environment(str(file)).by_token(token)
    assert (person.name, person.role) == ("Ana", "record")
    code, out, _ = run("token", "list", "--tokens", file)
    assert (code, out) == (0, "Ana  record  until 2999-01-31\n")
    assert token not in out
    code, out, _ = run("token", "revoke", "Ana", "--tokens", file)
    assert code == 0
    assert "The token of Ana is revoked" in out
    assert Access.from_environment(str(file)).by_token(token) is None
    assert run("token", "list", "--tokens", file)[1].startswith("Ana  record  revoked, 20")


def test_machines_get_json_alone(run, file):
    code, out, err = run("token", "new", "Ana", "--role", "read", "--tokens", file, "--json")
    made = json.loads(out)
    assert (code, err, made["schema"]) == (0, "", "highside.token/1")
    assert (made["name"], made["role"], made["state"]) == ("Ana", "read", "valid")
    assert Access.from_environment(str(file)).by_token(made["token"]).name == "Ana"
    listed = json.loads(run("token", "list", "--tokens", file, "--json")[1])
    assert listed["schema"] == "highside.tokens/1"
    (entry,) = listed["tokens"]
    assert entry == {k: made[k] for k in ("name", "role", "state", "created", "expires", "revoked")}
    revoked = json.loads(run("token", "revoke", "Ana", "--tokens", file, "--json")[1])
    assert [each["state"] for each in revoked["tokens"]] == ["revoked"]


REFUSED = {
    "no role": (["new", "Ana"], "--role"),
    "another role": (["new", "Ana", "--role", "admin"], "admin"),
    "no date": (["new", "Ana", "--role", "read", "--expires", "soon"], "'soon' is not a date"),
    "control": (["new", "a\x1b[2Jb", "--role", "read"], r"'a\x1b[2Jb', holds a control character"),
    "list without a file": (["list"], "does not exist"),
    "revoke without a file": (["revoke", "Ana"], "does not exist"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_done_exits_2_and_says_why(run, file, name):
    words, said = REFUSED[name]
    code, out, err = run("token", *words, "--tokens", file)
    assert (code, out) == (2, "")
    assert said in err
    assert not file.exists()


def test_a_file_that_others_may_read_exits_2_with_the_remedy(run, file):
    run("token", "new", "Ana", "--role", "read", "--tokens", file)
    file.chmod(0o644)
    for words in (["list"], ["revoke", "Ana"], ["new", "Ben", "--role", "read"]):
        code, out, err = run("token", *words, "--tokens", file)
        assert (code, out) == (2, "")
        assert "chmod 600" in err
    code, _, err = run("serve", "--tokens", file)
    assert code == 2
    assert "chmod 600" in err


def test_serve_refuses_a_wrong_file_with_its_line(run, file):
    file.write_text("[tokens.ana]\nrole = 'read'\nsha256 = 'x'\n")
    file.chmod(0o600)
    code, _, err = run("serve", "--tokens", file)
    assert code == 2
    assert "tokens.toml, line 3: tokens.ana: sha256" in err
