"""Loads damaged logs and checks that every row of every file is accounted for.

    python -m tests.fuzz.mutate_logs --seconds 120 --seed 0
    python -m tests.fuzz.mutate_logs --files 20000 --seed 1

Takes the logs of the corpus, damages each in one to three ways (bytes, lines, cells, delimiters,
encodings, the inside of archives, workbooks and Parquet) and loads it. The following are faults: an
error of any type but the deliberate ones, a load of more than 10 s of processor time, a row read
that is neither added nor known nor rejected, a number of stored runs that differs from the number
of rows added, a row of a plain text log that is not counted at all. A file that causes a fault is
kept and the exit code is 1; the exit code is also 1 when no log was loaded.
"""

from __future__ import annotations

import argparse
import io
import random
import re
import sys
import tempfile
import time
import traceback
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from optimizer.errors import HighsideError
from optimizer.history.history import History
from optimizer.intake.formats import delimited
from optimizer.intake.formats.layout import sniff
from optimizer.intake.formats.logs import logs_in
from optimizer.intake.reading.columns import Headings
from optimizer.intake.settling.load import LoadOptions, load_bytes, load_logs
from optimizer.intake.settling.load_report import LoadReport
from optimizer.intake.settling.loading import Load
from optimizer.intake.settling.log_files import LogFile
from optimizer.intake.settling.rejects import RejectsStore
from optimizer.plant.site import Site
from tests.corpus.build import BUILT, FILES

SLOW_SECONDS = 10.0
AGAIN = 0.04
"""Share of logs that are loaded into a history as well, and whose rejects are loaded again."""
SITES = [
    Site(),
    Site.from_dict({"material": {"moisture": {"unit": "%", "low": 5, "high": 20}}}),
    Site.from_dict(
        {
            "settings": {"feed_rate": {"unit": "lb/h", "low": 500, "high": 9000, "step": 100}},
            "lines": {"deck-1": {"air": {"unit": "%", "low": 0, "high": 100, "step": 1}}},
        }
    ),
]
NASTY = [
    "", " ", "-", "n/a", "=1+1", "'", '"', '""', "nan", "inf", "-inf", "1e999", "1e-400", "-0", "+",
    "1,500", "1.500", "1,234.5", "1.234,5", "1 234,5", "1'234", "0,97", "97.2", "97 %", "%", "% 97",
    "2.1 t/h", "4500 lb/h", "5 9**9**9", "5 kg/0", "5 m^99", "2.5°", "3 turns", "5 ton/h", "7 Hz",
    "5 {x}", "٣", "½", "0x10", "1_000", "9" * 400, "." * 50, "1 2 3", "12:30", "− 5", "−5",
    "03/04/2025", "25/12/2025", "12/25/2025 4:30 PM", "4 Mar 2025", "2025-13-45", "0000-00-00",
    "99999-01-01", "0001-01-01", "9999-12-31T23:59:59.999999999+14:00", "2025-03-01 10", "soon",
    "total", "Mean:", "line", "grade", "Feed Rate [kg/h]", "row_shape", "file", "TRUE", "even",
    "boiling", "deck-1", "deck-2", "\ufeff", "\x00", "\x1b[31m", "🙂", "a\nb", "a\r\nb", "a;b,c\td",
]  # fmt: skip
DELIMITERS = ",;\t|:~ ^"
ENCODINGS = ("utf-16", "utf-16-le", "utf-32", "latin-1", "cp1252", "utf-8-sig", "cp437")

Change = Callable[[bytes, random.Random], bytes]


def _at(content: bytes, rng: random.Random) -> int:
    return rng.randrange(len(content) + 1)


def flip_bytes(content: bytes, rng: random.Random) -> bytes:
    changed = bytearray(content)
    for _ in range(rng.randint(1, 8) if changed else 0):
        changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed)


def cut(content: bytes, rng: random.Random) -> bytes:
    return content[: _at(content, rng)]


def drop_slice(content: bytes, rng: random.Random) -> bytes:
    start = _at(content, rng)
    return content[:start] + content[start + rng.randint(1, 60) :]


def double_slice(content: bytes, rng: random.Random) -> bytes:
    start = _at(content, rng)
    return content[:start] + content[start : start + rng.randint(1, 400)] + content[start:]


def insert_bytes(content: bytes, rng: random.Random) -> bytes:
    start = _at(content, rng)
    return content[:start] + rng.randbytes(rng.randint(1, 20)) + content[start:]


def shuffle_lines(content: bytes, rng: random.Random) -> bytes:
    lines = content.split(b"\n")
    some = rng.sample(range(len(lines)), rng.randint(1, len(lines)))
    for a, b in zip(some, reversed(some), strict=True):
        lines[a], lines[b] = lines[b], lines[a]
    return b"\n".join(lines)


def double_line(content: bytes, rng: random.Random) -> bytes:
    lines = content.split(b"\n")
    lines.insert(rng.randrange(len(lines) + 1), rng.choice(lines))
    return b"\n".join(lines)


def swap_signs(content: bytes, rng: random.Random) -> bytes:
    a, b = rng.sample([*DELIMITERS, ".", '"'], 2)
    return content.replace(a.encode(), b.encode())


def line_ends(content: bytes, rng: random.Random) -> bytes:
    return content.replace(b"\n", rng.choice([b"\r\n", b"\r", b"\n\n", b"\n\r", b" \n"]))


def recode(content: bytes, rng: random.Random) -> bytes:
    return content.decode(errors="replace").encode(rng.choice(ENCODINGS), errors="replace")


def nasty_cell(content: bytes, rng: random.Random) -> bytes:
    lines = content.decode(errors="surrogateescape").split("\n")
    k = rng.randrange(len(lines))
    delimiter = max(DELIMITERS, key=lines[k].count)
    cells = lines[k].split(delimiter)
    cell = rng.choice(NASTY)
    quoted = cell.replace('"', '""') if rng.random() < 0.5 else cell
    cells[rng.randrange(len(cells))] = f'"{quoted}"' if rng.random() < 0.5 else cell
    if rng.random() < 0.15:
        cells.insert(rng.randrange(len(cells) + 1), rng.choice(NASTY))
    lines[k] = delimiter.join(cells)
    return "\n".join(lines).encode(errors="surrogateescape")


def many_nasty_cells(content: bytes, rng: random.Random) -> bytes:
    for _ in range(rng.randint(2, 12)):
        content = nasty_cell(content, rng)
    return content


def grow(content: bytes, rng: random.Random) -> bytes:
    """Repeat the rows: several chunks, and the rows that settle the number format come late."""
    head, _, body = content.partition(b"\n")
    return head + b"\n" + body * rng.randint(2, 40) if len(body) < 5000 else content


def inside(content: bytes, rng: random.Random) -> bytes:
    """Damages one file of an archive or a workbook."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = {name: archive.read(name) for name in archive.namelist()}
    except Exception:  # the content is no archive, or a damaged one
        return flip_bytes(content, rng)
    if not members:
        return content
    name = rng.choice(list(members))
    members[name] = rng.choice(CHANGES[:-1])(members[name], rng)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for inner, data in members.items():
            archive.writestr(inner, data)
    return out.getvalue()


TEXT = [shuffle_lines, double_line, swap_signs, line_ends, recode, nasty_cell, many_nasty_cells]
CHANGES: list[Change] = [
    flip_bytes, cut, drop_slice, double_slice, insert_bytes, grow, *TEXT, nasty_cell,
    many_nasty_cells, inside,
]  # fmt: skip


def mutate(content: bytes, rng: random.Random) -> bytes:
    """The content damaged in one to three ways."""
    packed = content[:2] == b"PK"
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        change = inside if packed and rng.random() < 0.8 else rng.choice(CHANGES)
        content = change(content, rng)
    return content


def seeds() -> list[tuple[str, bytes]]:
    """Names and contents of the logs of the corpus."""
    files = [(path.name, path.read_bytes()) for path in sorted(FILES.iterdir())]
    return files + [(f"{key}-{name}", build()) for key, (name, build) in BUILT.items()]


def load_and_check(content: bytes, rng: random.Random, history: History) -> LoadReport:
    """Load a log in a dry run and check the counts of its rows.

    Raises:
        AssertionError: when a row is not accounted for.
    """
    # A small block size cuts a small log into many chunks, like a large log.
    delimited.BLOCK_BYTES = rng.choice([150, 700, 1 << 20])
    site, samples = rng.choice(SITES), rng.random() < 0.2
    line = rng.choice([None, "deck-1", "deck-1"])
    load = Load(site, Headings(site), history, LoadOptions(line, samples=samples))
    began = time.process_time()  # processor time does not depend on other work on the machine
    fresh = list(load.runs([LogFile("log", partial(logs_in, io.BytesIO(content), "log"))]))
    load.settle(iter(fresh))
    report = load.report(None, None)
    seconds = time.process_time() - began
    assert seconds < SLOW_SECONDS, f"took {seconds:.1f} s"
    for tally in (report, *report.files):
        taken = tally.added if tally.readings is None else tally.readings
        told = (tally.read, taken, tally.already_known, tally.rejected)
        assert told[0] == sum(told[1:]), f"{told} rows read, added, known, rejected"
    runs = sum(len(batch) for batch in fresh)
    assert runs == report.added, f"{runs} runs, but {report.added} reported"
    assert load.rejected.num_rows == report.rejected + len(report.unreadable)
    check_lines(content, report, site)
    return report


def check_lines(content: bytes, report: LoadReport, site: Site) -> None:
    """Compare the reported rows of a plain text log with a count of its lines.

    Raises:
        AssertionError: when a row is neither read nor reported to repeat the headings.
    """
    plain = content.removeprefix(b"\xef\xbb\xbf")
    odd = re.search(rb'["\r\0\v\f\x1c-\x1f\x85]', plain)
    if odd or report.unreadable or len(report.files) != 1 or len(plain) > 60_000:
        return
    try:
        text = plain.decode()
    except UnicodeDecodeError:
        return
    if plain[:2] in (b"PK", b"\x1f\x8b") or plain[:4] == b"PAR1":
        return
    below = text.split("\n")[sniff(text, Headings(site), "log").lines :]
    filled = sum(bool(re.search(r"\w", row)) for row in below)
    repeated = [re.search(r"(\d+) rows repeat the headings", w) for w in report.warnings]
    told = report.read + sum(int(match[1]) for match in repeated if match)
    assert filled <= told <= sum(bool(row) for row in below), f"{told} of {filled} rows reported"


def load_and_load_again(content: bytes, rng: random.Random, folder: Path) -> None:
    """Load a log into a history, and then load its unchanged rejects file.

    Raises:
        AssertionError: when a run or a reject is lost.
    """
    history, site = History(folder), rng.choice(SITES)
    report = load_bytes(content, history, site, file="log", options=LoadOptions(line="deck-1"))
    assert history.at().runs().num_rows == report.added
    kept = RejectsStore(history.rejects_folder)
    rows = kept.read().num_rows
    assert rows == report.rejected, f"{rows} rejects kept of {report.rejected}"
    if rows:
        again = load_logs(kept.csv, history, site)
        assert not again.unreadable, again.files[0].error
        assert again.read == rows, f"{again.read} rejects read of {rows}"
        assert kept.read().num_rows == again.rejected


def run(
    rng: random.Random, wanted: Callable[[int], bool], save: Path
) -> Iterator[tuple[str, Path | None]]:
    """Yield the result of each mutated log, and the path of the kept file when it is at fault."""
    logs, count = seeds(), 0
    with tempfile.TemporaryDirectory() as folder:
        history = History(Path(folder) / "history")
        while wanted(count):
            name, content = rng.choice(logs)
            content = mutate(content, rng)
            state = rng.getstate()
            try:
                report = load_and_check(content, rng, history)
                if rng.random() < AGAIN:
                    load_and_load_again(content, rng, Path(folder) / f"{count}")
            except HighsideError as error:
                outcome, path = f"refused: {error.code}", None
            except Exception:
                outcome, path = "FAULT", save / f"{count}-{name}"
                save.mkdir(parents=True, exist_ok=True)
                path.write_bytes(content)
                path.with_suffix(".txt").write_text(f"{traceback.format_exc()}\n{state[1][:3]}")
            else:
                path = None
                outcome = "file refused" if report.unreadable else "rows rejected"
                outcome = outcome if report.rejected or report.unreadable else "clean"
            count += 1
            yield outcome, path


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Load damaged logs.")
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--files", type=int, default=None)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--save", type=Path, default=Path(tempfile.gettempdir()) / "faulty-logs")
    options = parser.parse_args(arguments)
    end = time.monotonic() + options.seconds
    by_files = options.files is not None

    def wanted(count: int) -> bool:
        return count < options.files if by_files else time.monotonic() < end

    outcomes: Counter[str] = Counter()
    faults = []
    for outcome, path in run(random.Random(options.seed), wanted, options.save):
        outcomes[outcome] += 1
        if path is not None:
            faults.append(path)
    print(f"seed {options.seed}: {outcomes.total()} mutated logs")
    for outcome, count in sorted(outcomes.items()):
        print(f"  {outcome:<20}{count:8d}")
    for path in faults:
        print(f"fault kept in {path}")
    if not outcomes:
        print("no log was loaded: give it more time, or --files")
    return int(bool(faults) or not outcomes)


if __name__ == "__main__":
    sys.exit(main())
