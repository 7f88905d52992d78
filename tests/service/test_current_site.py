"""The site file of a running service may be written, changed, damaged and removed."""

from __future__ import annotations

import os

import pytest

from optimizer.errors import InputError
from optimizer.service.exchange.current_site import CurrentSite

FIRST = '[site]\nname = "Mill"\n'


def written(path, text: str) -> None:
    """Write a file as an editor does: under another name, then in its place."""
    other = path.with_suffix(".new")
    other.write_text(text, encoding="utf-8")
    os.replace(other, path)


def test_a_file_that_is_written_later_is_read(tmp_path):
    plant = CurrentSite(tmp_path / "site.toml")
    assert not plant.exists
    assert plant.site.name == "site"
    assert plant.content == {}
    written(plant.path, FIRST)
    assert plant.exists
    assert plant.site.name == "Mill"
    assert plant.content == {"site": {"name": "Mill"}}


def test_a_changed_file_is_read_again_and_a_removed_one_counts_no_more(tmp_path):
    written(tmp_path / "site.toml", FIRST)
    plant = CurrentSite(tmp_path / "site.toml", required=True)
    before = plant.site
    assert plant.site is before  # read once
    written(plant.path, FIRST.replace("Mill", "Mill of the coast"))
    assert plant.site.name == "Mill of the coast"
    plant.path.unlink()
    assert plant.site.name == "site"


def test_a_damaged_file_leaves_the_last_usable_one_in_force(tmp_path):
    written(tmp_path / "site.toml", FIRST)
    plant = CurrentSite(tmp_path / "site.toml")
    written(plant.path, "[settings.feed]\nlow = 1\n")
    assert plant.site.name == "Mill"
    assert plant.fault is not None
    assert "feed" in plant.fault.message
    written(plant.path, FIRST.replace("Mill", "Works"))
    assert plant.site.name == "Works"
    assert plant.fault is None


def test_a_named_file_that_cannot_be_used_is_refused_at_start(tmp_path):
    with pytest.raises(InputError, match="site file"):
        CurrentSite(tmp_path / "none.toml", required=True)
    written(tmp_path / "site.toml", "[site\n")
    with pytest.raises(InputError):
        CurrentSite(tmp_path / "site.toml")
