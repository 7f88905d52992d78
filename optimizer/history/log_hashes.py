"""Hashes of the files of the table's log, kept beside it.

A commit cannot contain the hash of its own bytes. Right after the commit, an empty file is made
whose name gives the file of the log and its SHA-256. An empty file exists or does not, even if the
process is killed, and two processes that make it make the same file. Where it is missing, the next
commit makes it. A file of the log never changes, except the hint that names the latest checkpoint;
a hash of each of its states is kept.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

import pyarrow.fs as pa_fs

LOG = "_delta_log"
HASHES = "_hashes"
HINT = "_last_checkpoint"
# So many versions have a folder in common: what has to be listed at a commit stays short.
_VERSIONS_A_FOLDER = 100
_KEPT = re.compile(r"(?P<name>\d{20}\.[^/]+)\.[0-9a-f]{64}$")
_COMMIT = re.compile(r"(\d{20})\.json$")
_CHECKPOINT = re.compile(r"(\d{20})\.checkpoint\..*parquet$")


@dataclass
class LogState:
    """What the files of a log are, compared with their hashes.

    Attributes:
        sizes: of all files of the log, by name.
        changed: names of files whose bytes are not those that were written.
        lost: names of commits after the latest one: only their hashes are left.
        unknown: names of files without a kept hash.
    """

    sizes: dict[str, int]
    changed: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)

    @property
    def latest(self) -> int:
        """The latest version that has a commit, readable or not; -1 when none has."""
        return max(_versions(self.sizes), default=-1)

    @property
    def blank(self) -> list[str]:
        """Commits that a power cut emptied: they would be read as adding nothing."""
        return [name for name, size in self.sizes.items() if _COMMIT.match(name) and not size]

    @property
    def unfit(self) -> list[int]:
        """Versions whose commit is not there as it was written."""
        return _versions([*self.blank, *self.changed, *self.lost])

    @property
    def expendable(self) -> list[str]:
        """Changed files that say nothing which the commits do not say."""
        return [name for name in self.changed if version_of(name) is None]


def version_of(name: str) -> int | None:
    """The version whose commit a file of the log is; None when it is none.

    >>> version_of("00000000000000000007.json"), version_of("_last_checkpoint")
    (7, None)
    """
    found = _COMMIT.match(name)
    return None if found is None else int(found[1])


def had_commits(filesystem: pa_fs.FileSystem) -> bool:
    """Whether there is a trace of a commit, though the table library finds none.

    A first load that was cut short leaves a folder for the log, and at most a file without a
    name of its own in it.
    """
    names = [n for n in log_files(filesystem) if _COMMIT.match(n) or _CHECKPOINT.match(n)]
    return bool(names or kept_hashes(filesystem))


def changed_checkpoint(filesystem: pa_fs.FileSystem) -> str | None:
    """Name of the checkpoint that readers of the log begin at, where it is known to have changed.

    Raises:
        OSError, pyarrow.ArrowException: when what is there cannot be read.
    """
    if not filesystem.get_file_info(f"{LOG}/{HINT}").is_file:
        return None
    name = _checkpoint_of(read_file(filesystem, f"{LOG}/{HINT}"))
    kept = kept_hashes(filesystem, _folder_of(int(name[:20]))).get(name) if name else None
    if not kept or not filesystem.get_file_info(f"{LOG}/{name}").is_file:
        return None
    digest = hashlib.sha256(read_file(filesystem, f"{LOG}/{name}")).hexdigest()
    return None if any(path.endswith(digest) for path in kept) else name


def _folder_of(version: int) -> str:
    return f"{HASHES}/{version // _VERSIONS_A_FOLDER:018d}"


def hash_log(filesystem: pa_fs.FileSystem, version: int) -> str | None:
    """Keeps the hashes of what a version added to the log, where they are not kept yet.

    Returns:
        The folder in which some were missing, None when none was.

    Raises:
        OSError, pyarrow.ArrowException: when they cannot be written.
    """
    folder = _folder_of(version)
    commit, checkpoint = f"{version:020d}.json", f"{version:020d}.checkpoint.parquet"
    files = {commit: commit}
    if filesystem.get_file_info(f"{LOG}/{checkpoint}").is_file:
        files |= {checkpoint: checkpoint, f"{version:020d}.{HINT}": HINT}
    missing = sorted(files.keys() - kept_hashes(filesystem, folder).keys())
    for name in missing:
        filesystem.create_dir(folder)
        digest = hashlib.sha256(read_file(filesystem, f"{LOG}/{files[name]}")).hexdigest()
        filesystem.open_output_stream(f"{folder}/{name}.{digest}").close()
    return folder if missing else None


def kept_hashes(filesystem: pa_fs.FileSystem, folder: str = HASHES) -> dict[str, list[str]]:
    """Where hashes are kept, by what they are of: a name in the log, the hint's with a version."""
    found = defaultdict(list)
    for path in list_files(filesystem, folder):
        if kept := _KEPT.search(path):
            found[kept["name"]].append(path)
    return dict(found)


def inspect_log(filesystem: pa_fs.FileSystem) -> LogState:
    """Compares the files of a log with their hashes.

    Raises:
        OSError, pyarrow.ArrowException: when they cannot be read.
    """
    kept = kept_hashes(filesystem)  # first: of a commit made meanwhile only the file is seen
    state = LogState(sizes=log_files(filesystem))
    known = {name: {path[-64:] for path in paths} for name, paths in kept.items()}
    hints = {name: known.pop(name) for name in list(known) if name.endswith(HINT)}
    for name in state.sizes:
        if _COMMIT.match(name) or _CHECKPOINT.match(name):
            content = read_file(filesystem, f"{LOG}/{name}")
            if name not in known:
                state.unknown.append(name)
            elif hashlib.sha256(content).hexdigest() not in known[name]:
                state.changed.append(name)
        elif name == HINT:
            content = read_file(filesystem, f"{LOG}/{name}")
            if hashlib.sha256(content).hexdigest() not in set().union(*hints.values()):
                strange = _checkpoint_of(content) in state.sizes.keys() - known.keys()
                (state.unknown if strange else state.changed).append(name)
    state.lost = sorted(n for n in known if max(_versions([n]), default=-1) > state.latest)
    return state


def _versions(names: Iterable[str]) -> list[int]:
    return [version for name in names if (version := version_of(name)) is not None]


def _checkpoint_of(hint: bytes) -> str:
    """The checkpoint that the hint names; empty when it names none."""
    try:
        name = f"{json.loads(hint)['version']:020d}.checkpoint.parquet"
    except (ValueError, KeyError, TypeError):
        return ""
    return name if _CHECKPOINT.fullmatch(name) else ""


def log_files(filesystem: pa_fs.FileSystem) -> dict[str, int]:
    """Sizes of the files of the log by name, in the order of their names."""
    infos = filesystem.get_file_info(pa_fs.FileSelector(LOG, allow_not_found=True))
    return {i.base_name: i.size for i in sorted(infos, key=lambda i: i.base_name) if i.is_file}


def list_files(filesystem: pa_fs.FileSystem, folder: str) -> list[str]:
    """Paths of the files in a folder and below it; none when it is not there."""
    found = filesystem.get_file_info(
        pa_fs.FileSelector(folder, recursive=True, allow_not_found=True)
    )
    return [info.path for info in found if info.is_file]


def read_file(filesystem: pa_fs.FileSystem, path: str) -> bytes:
    """The bytes of a file."""
    with filesystem.open_input_file(path) as file:
        content = file.read()
    return content if isinstance(content, bytes) else bytes(content)
