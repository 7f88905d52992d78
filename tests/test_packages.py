"""The packages of an install: which belong to it, what they state, and what is locked.

Source of the bill's form: CycloneDX 1.6 (ECMA-424); of package addresses: package-url, type pypi;
of names: PEP 503.
"""

from __future__ import annotations

import json
import re
import sys
import tomllib
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

from tests import packages

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def found():
    return packages.installed()


def test_an_install_holds_what_is_required_and_no_tool_for_tests(found):
    names = {packages.plain(p.name) for p in found}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert {packages.plain(Requirement(d).name) for d in project["dependencies"]} < names
    assert {"starlette", "pillow", "pydantic-core"} < names  # by way of others
    assert not {"pytest", "hypothesis", "ruff", "distributed", "torch"} & names
    numpy = next(p for p in found if p.name == "numpy")
    assert numpy.version == version("numpy")
    assert 20 < numpy.megabytes < 200


def test_every_license_is_known_and_allowed(found):
    assert [(p.name, p.license) for p in found if not p.fit] == []


@pytest.mark.parametrize(
    ("license", "fit"),
    [
        ("MIT", True),
        ("BSD-3-Clause AND MIT", True),
        ("Apache-2.0 OR GPL-2.0-only", True),
        ("GPL-3.0-only", False),
        ("MIT AND GPL-3.0-only", False),
        ("", False),
    ],
)
def test_a_license_is_judged_by_each_of_its_parts(found, license, fit):
    assert replace(found[0], license=license).fit == fit


def test_an_install_with_another_license_is_refused(found, monkeypatch, capsys, tmp_path):
    odd = [replace(found[0], name="odd", license="LicenseRef-Odd"), *found]
    monkeypatch.setattr(packages, "installed", lambda: odd)
    monkeypatch.setattr(sys, "argv", ["packages", "--sbom", str(tmp_path / "sbom.json")])
    with pytest.raises(SystemExit, match="odd \\(LicenseRef-Odd\\)"):
        packages.main()


def test_the_bill_names_each_package_once_and_what_it_needs(found, monkeypatch, tmp_path, capsys):
    path = tmp_path / "sbom.json"
    monkeypatch.setattr(sys, "argv", ["packages", "--sbom", str(path)])
    packages.main()
    bill = json.loads(path.read_text(encoding="utf-8"))
    assert (bill["bomFormat"], bill["specVersion"], bill["version"]) == ("CycloneDX", "1.6", 1)
    assert bill["metadata"]["component"]["name"] == "highside"
    refs = [bill["metadata"]["component"]["bom-ref"], *(c["bom-ref"] for c in bill["components"])]
    assert len(set(refs)) == len(refs) == len(found)
    assert all(re.fullmatch(r"pkg:pypi/[a-z0-9.-]+@[^@]+", ref) for ref in refs)
    needs = {each["ref"]: each["dependsOn"] for each in bill["dependencies"]}
    assert set(needs) == set(refs)
    assert all(set(each) <= set(refs) for each in needs.values())


def locked() -> dict[str, Version]:
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pairs = [line.split("==") for line in lines if not line.startswith("#")]
    return {name: Version(number) for name, number in pairs}


def test_every_requirement_is_locked_at_a_version_that_it_allows():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    pins = locked()
    for each in map(Requirement, [*project["dependencies"], *extras["test"], *extras["cluster"]]):
        assert each.specifier.contains(pins[packages.plain(each.name)]), each


def test_what_is_installed_here_is_locked(found):
    unlocked = {packages.plain(p.name) for p in found} - set(locked()) - {"highside"}
    assert not unlocked
