"""Atomic file writes: a reader sees the old or the new content, and no temporary file remains."""

from __future__ import annotations

import os
import threading

import pytest

from optimizer.errors import HistoryError, InputError
from optimizer.files import whole_file, write_whole


def parts_that_fail():
    yield b"the first half"
    raise OSError(28, "No space left on device")


def test_a_file_is_written_in_parts_or_at_once(tmp_path):
    path = tmp_path / "a.csv"
    write_whole(path, b"one")
    write_whole(path, (part for part in (b"t", b"wo")))
    assert path.read_bytes() == b"two"
    assert os.listdir(tmp_path) == ["a.csv"]


@pytest.mark.parametrize(("own", "error"), [(False, InputError), (True, HistoryError)])
def test_after_a_failure_only_the_old_content_remains(tmp_path, own, error):
    path = tmp_path / "a.csv"
    write_whole(path, b"old")
    with pytest.raises(error, match=r"a\.csv' cannot be written: No space left on device"):
        write_whole(path, parts_that_fail(), own=own)
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["a.csv"]


def test_a_reader_during_a_write_sees_the_old_content(tmp_path):
    path = tmp_path / "a.csv"
    write_whole(path, b"old")
    with whole_file(path) as place:
        place.write_bytes(b"new")
        assert path.read_bytes() == b"old"
    assert path.read_bytes() == b"new"


def test_a_missing_folder_is_created_for_own_files_only(tmp_path):
    path = tmp_path / "missing" / "a.csv"
    with pytest.raises(InputError, match="No such file or directory"):
        write_whole(path, b"")
    write_whole(path, b"", own=True)
    assert path.exists()


def test_permissions_and_links_of_a_file_are_kept(tmp_path):
    path, link = tmp_path / "a.csv", tmp_path / "link.csv"
    write_whole(path, b"old")
    path.chmod(0o640)
    link.symlink_to(path)
    write_whole(link, b"new")
    assert link.is_symlink()
    assert (path.read_bytes(), path.stat().st_mode & 0o777) == (b"new", 0o640)


def test_a_pipe_is_written_in_place(tmp_path):
    """A shell passes a pipe for ``--out >(command)``; a rename would replace the pipe by a file."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    found: list[bytes] = []
    reader = threading.Thread(target=lambda: found.append(pipe.read_bytes()))
    reader.start()
    write_whole(pipe, b"through")
    reader.join(10)
    assert found == [b"through"]
    assert pipe.is_fifo()
