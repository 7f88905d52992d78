"""A file that was parsed elsewhere gives exactly what the file itself gives."""

from __future__ import annotations

import io
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from optimizer.errors import InputError
from optimizer.history.history import History
from optimizer.intake.formats.logs import logs_in
from optimizer.intake.formats.parsed import MostParsed, Writer
from optimizer.intake.reading.columns import Headings
from optimizer.intake.settling.load import load_file
from optimizer.intake.settling.load_options import LoadOptions
from optimizer.intake.settling.log_files import LogFile, content_as_file, parsed_file
from optimizer.intake.settling.preview import preview
from optimizer.plant.site import Site
from tests.intake.test_corpus import CASES, FILES, log_of

SINGLE = [case for case in CASES if "file" not in case or (FILES / case["file"]).is_file()]
"""Cases of one file."""
MOST = MostParsed(rows=10_000, columns=100, size=1 << 26)
HEAD = "line,feed_rate,end_raise,side_tilt,eccentric_speed,air,grade,recovery\n"
LINE = "deck-1,2,2.4,2,450,37,0.98,0.93\n"


def parsed(
    content: bytes, folder: Path, site: Site, most: MostParsed = MOST, **how: Any
) -> LogFile:
    """A file after it was parsed into a folder."""
    folder.mkdir()
    logs = partial(logs_in, io.BytesIO(content), "log")

    def from_start(*given: Any) -> Any:
        logs.args[0].seek(0)
        return logs(*given)

    Writer(folder, "log", most).write(from_start, Headings(site, how.get("mapping")))
    return parsed_file("log", folder, named=True)


@pytest.mark.parametrize("case", SINGLE, ids=[case["name"] for case in SINGLE])
def test_a_parsed_log_of_the_corpus_loads_like_the_log(
    case: dict[str, Any], tmp_path: Path
) -> None:
    """Report, preview, stored runs and rejects are equal to the last digit."""
    content = log_of(case, tmp_path).read_bytes()
    site = Site.from_dict(case["site"]) if "site" in case else Site()
    options = LoadOptions(
        case.get("line"), case.get("map") or {}, samples=case.get("samples", False)
    )
    told = []
    for name in ("whole", "parsed"):
        history = History(tmp_path / name)
        file = content_as_file("log", content, named=True)
        if name == "parsed":
            file = parsed(content, tmp_path / "folder", site, mapping=options.mapping)
        seen = preview(file, history, site, options=options).as_dict()
        report = replace(load_file(file, history, site, options=options), rejects_file=None)
        runs = history.at().runs().to_pylist() if report.version is not None else []
        rejects = history.rejects_folder / "rejected.csv"
        kept = rejects.read_bytes() if rejects.exists() else b""
        told.append((seen, report, runs, kept))
    assert repr(told[1][:3]) == repr(told[0][:3])  # so that NaN equals NaN
    assert told[1][3] == told[0][3]


@pytest.mark.parametrize(
    ("most", "said"),
    [
        (replace(MOST, rows=2), "more than 2 rows"),
        (replace(MOST, columns=7), "more than 7 columns"),
        (replace(MOST, size=100), "once it is read"),
    ],
)
def test_more_than_the_limits_is_refused(most: MostParsed, said: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=said) as refused:
        parsed((HEAD + LINE * 3).encode(), tmp_path / "folder", Site(), most)
    assert refused.value.code == "too-large"


def test_a_damaged_table_is_refused(tmp_path: Path) -> None:
    file = parsed((HEAD + LINE * 3).encode(), tmp_path / "folder", Site())
    (log,) = file.logs(Headings(Site()), lambda _: None)
    (part,) = log.open().parts(frozenset())
    assert part().table.num_rows == 3
    (table,) = (tmp_path / "folder").glob("*.arrow")
    content = bytearray(table.read_bytes())
    at = content.index(b"deck-1")
    content[at] = 0xFF  # which is no UTF-8
    table.write_bytes(content)
    with pytest.raises(pa.ArrowInvalid):
        part()
