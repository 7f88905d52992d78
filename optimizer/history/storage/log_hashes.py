"""Hashes of the files of the table's log, kept beside it.

A commit cannot contain the hash of its own bytes. So right after a commit, an empty file is made
whose name contains the name of the log file and its SHA-256. An empty file cannot be incomplete,
even if the process is killed, and two processes that make it make the same file. If the file is
missing, the next commit makes it. Files of the log never change, with one exception: the hint that
names the latest checkpoint. A hash is kept of each state of the hint.
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
# Number of versions whose hashes share a folder, so that the listing at a commit stays short.
_VERSIONS_A_FOLDER = 100
_KEPT = re.compile(r"(?P<name>\d{20}\.[^/]+)\.[0-9a-f]{64}$")
_COMMIT = re.compile(r"(\d{20})\.json$")
_CHECKPOINT = re.compile(r"(\d{20})\.checkpoint\..*parquet$")


@dataclass
class LogState:
    """State of the files of a log, compared with their hashes.

    Attributes:
        sizes: size in bytes of each file of the log, by name.
        changed: names of files whose bytes differ from those that were written.
        lost: names of commits after the latest present one, of which only the hashes are left.
        unknown: names of files without a kept hash.
    """

    sizes: dict[str, int]
    changed: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)

    @property
    def latest(self) -> int:
        """The latest version that has a commit file, readable or not; -1 when there is none."""
        return max(_versions(self.sizes), default=-1)

    @property
    def blank(self) -> list[str]:
        """Names of commits that a power cut emptied; a reader would think they add nothing."""
        return [name for name, size in self.sizes.items() if _COMMIT.match(name) and not size]

    @property
    def unfit(self) -> list[int]:
        """Versions whose commit is missing, empty or changed."""
        return _versions([*self.blank, *self.changed, *self.lost])

    @property
    def expendable(self) -> list[str]:
        """Names of changed files whose content the commits contain, too, such as checkpoints."""
        return [name for name in self.changed if version_of(name) is None]


def version_of(name: str) -> int | None:
    """The version whose commit is in a file of the log; None when the file is not a commit.

    >>> version_of("00000000000000000007.json"), version_of("_last_checkpoint")
    (7, None)
    """
    found = _COMMIT.match(name)
    return None if found is None else int(found[1])


def had_commits(filesystem: pa_fs.FileSystem) -> bool:
    """Whether the log contains a trace of a commit, although the table library finds no table.

    An interrupted first load leaves only a folder for the log, at most with a temporary file in it.
    """
    names = [n for n in log_files(filesystem) if _COMMIT.match(n) or _CHECKPOINT.match(n)]
    return bool(names or kept_hashes(filesystem))


def changed_checkpoint(filesystem: pa_fs.FileSystem) -> str | None:
    """Name of the checkpoint at which readers of the log begin, if its bytes have changed.

    Returns:
        None when there is no such checkpoint, it has no kept hash, or its hash agrees.

    Raises:
        OSError, pyarrow.ArrowException: when a file cannot be read.
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
    """Keeps the hashes of the files that a version added to the log, unless they are kept already.

    Returns:
        The folder to which hashes were added; None when none was missing.

    Raises:
        OSError, pyarrow.ArrowException: when the hashes cannot be written.
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
    """Paths of the kept hashes, by the name of the file that was hashed.

    The name of the hint is preceded by the version at which it was hashed.
    """
    found = defaultdict(list)
    for path in list_files(filesystem, folder):
        if kept := _KEPT.search(path):
            found[kept["name"]].append(path)
    return dict(found)


def inspect_log(filesystem: pa_fs.FileSystem) -> LogState:
    """Compares the files of a log with their hashes.

    Raises:
        OSError, pyarrow.ArrowException: when a file cannot be read.
    """
    # Hashes are listed first, so that a commit made meanwhile cannot look lost.
    kept = kept_hashes(filesystem)
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
    """Name of the checkpoint file to which the hint points; empty when it points to none."""
    try:
        name = f"{json.loads(hint)['version']:020d}.checkpoint.parquet"
    except (ValueError, KeyError, TypeError):
        return ""
    return name if _CHECKPOINT.fullmatch(name) else ""


def log_files(filesystem: pa_fs.FileSystem) -> dict[str, int]:
    """Size in bytes of each file of the log, by name and sorted by name."""
    infos = filesystem.get_file_info(pa_fs.FileSelector(LOG, allow_not_found=True))
    return {i.base_name: i.size for i in sorted(infos, key=lambda i: i.base_name) if i.is_file}


def list_files(filesystem: pa_fs.FileSystem, folder: str) -> list[str]:
    """Paths of the files in a folder and below it; empty when the folder does not exist."""
    found = filesystem.get_file_info(
        pa_fs.FileSelector(folder, recursive=True, allow_not_found=True)
    )
    return [info.path for info in found if info.is_file]


def read_file(filesystem: pa_fs.FileSystem, path: str) -> bytes:
    """The bytes of a file."""
    with filesystem.open_input_file(path) as file:
        content = file.read()
    return content if isinstance(content, bytes) else bytes(content)
