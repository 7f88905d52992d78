"""Options that several commands share, and the objects that they stand for."""

from __future__ import annotations

import getpass
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

import typer

from optimizer.errors import InputError
from optimizer.text.key_values import key_values
from optimizer.text.names import composed, normal_name

if TYPE_CHECKING:
    from optimizer.comparison import ComparisonRequest
    from optimizer.history.history import History
    from optimizer.plant.brief import Brief
    from optimizer.plant.site import Site

DEFAULT_SITE = Path("site.toml")
DEFAULT_HISTORY = "history"
LONGEST_BY = 200
"""Largest number of characters of the name of who does something."""

HistoryOption = Annotated[
    str,
    typer.Option(
        "--history", metavar="PATH-or-URI", envvar="HIGHSIDE_HISTORY", help="The run history."
    ),
]
SiteOption = Annotated[
    Path | None,
    typer.Option("--site", metavar="FILE", help="The site file. [default: ./site.toml, if there]"),
]
SeedOption = Annotated[
    int, typer.Option("--seed", metavar="N", min=0, help="Seed of everything random.")
]
AsOfOption = Annotated[
    int | None, typer.Option("--as-of", metavar="VERSION", help="Use this version of the history.")
]
LanguageOption = Annotated[
    str | None,
    typer.Option("--language", metavar="CODE", help="Language of what is written: en, es or pt."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Answer with JSON alone on stdout.")]
LineOption = Annotated[
    str | None, typer.Option("--line", metavar="NAME", help="The line.", callback=composed)
]
BriefOption = Annotated[
    Path | None, typer.Option("--brief", metavar="FILE", help="What is wanted today (TOML).")
]
MaterialOption = Annotated[
    list[str] | None,
    typer.Option("--material", metavar="KEY=VALUE", help="Today's material; repeat for more."),
]
MinGradeOption = Annotated[
    str | None,
    typer.Option("--min-grade", metavar="SHARE", help="Grade to reach: 0.985 or 98.5%."),
]
ByOption = Annotated[
    str | None,
    typer.Option("--by", metavar="NAME", help="Who does it. [default: the user of this machine]"),
]

ConfidenceOption = Annotated[
    str | None,
    typer.Option(
        "--confidence", metavar="SHARE", help="How sure of the grade: 0.9 or 90%. [default: 0.9]"
    ),
]

ReasonOption = Annotated[
    str, typer.Option("--reason", metavar="TEXT", help="Why; it is kept with the change.")
]
WorkersOption = Annotated[
    int | None,
    typer.Option("--workers", metavar="N", min=1, help="Processes that plan lines in parallel."),
]
SchedulerOption = Annotated[
    str | None,
    typer.Option(
        "--scheduler", metavar="ADDRESS", help="Dask cluster that plans lines in parallel."
    ),
]

DateOrderOption = Annotated[
    str | None,
    typer.Option(
        "--date-order",
        metavar="ORDER",
        help="Where a date can mean two days: day-first, month-first or year-first.",
    ),
]
PriceOption = Annotated[
    float | None,
    typer.Option("--price", metavar="VALUE", help="Price of product per unit of mass of the site."),
]
RejectPriceOption = Annotated[
    float, typer.Option("--reject-price", metavar="VALUE", help="Price of reject, likewise.")
]
MiddlingsPriceOption = Annotated[
    float | None,
    typer.Option(
        "--middlings-price",
        metavar="VALUE",
        help="Price of middlings, likewise; that of reject when left out.",
    ),
]
HoursOption = Annotated[
    float | None, typer.Option("--hours", metavar="H", help="Running hours of a season.")
]
FractionsOption = Annotated[
    Path | None,
    typer.Option("--fractions", metavar="FILE", help="Density fractions of the lines."),
]
AnonymousOption = Annotated[
    bool, typer.Option("--anonymous", help="Call lines A, B, C in the order of rank.")
]


def who(by: str | None) -> str | None:
    """The name that was given, else that of the user of this machine; None where it has none."""
    if by is not None and by.strip():
        return normal_name(by, "--by", LONGEST_BY)
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no such user; no list of users on this system
        return None


def open_site(path: Path | None) -> Site:
    """The site of the named file, else of ./site.toml if it exists, else the default site."""
    from optimizer.plant.site import Site

    return Site.read(site_file(path))


def site_file(path: Path | None) -> Path | None:
    """Path of the named site file, else of ./site.toml if it exists, else None."""
    return DEFAULT_SITE if path is None and DEFAULT_SITE.is_file() else path


def open_history(location: str) -> History:
    """The history at a path or URI."""
    from optimizer.history.history import History

    return History(location)


def read_brief(
    path: Path | None,
    line: str | None = None,
    material: Iterable[str] | None = None,
    min_grade: str | None = None,
    trials: int | None = None,
    confidence: str | None = None,
    *,
    planned: Mapping[str, Any] | None = None,
) -> Brief:
    """The brief of a file or of an earlier plan, with options that override its content.

    Args:
        path: path of the brief file, or None.
        line, material, min_grade, trials, confidence: values of the options; None where not given.
        planned: brief of the plan that a result belongs to; the brief file has precedence over it.
    """
    from optimizer.plant.brief import Brief

    changes: dict[str, Any] = {"line": line, "goal__min_grade": min_grade, "trials__count": trials}
    changes["goal__confidence"] = confidence
    for key, value in key_values(material or (), "--material").items():
        changes[f"material__{key}"] = value
    if path is None and planned is not None:
        return Brief.from_dict(planned, source="the plan's brief", **changes)
    return Brief.read(path, **changes)


def as_share(text: str | float) -> float:
    """The fraction that an option such as 0.985 or 98.5% states.

    Raises:
        InputError: when the text is not a share.
    """
    from optimizer.plant.shares import share

    found = share(text)
    if isinstance(found, str):
        raise InputError(f"'{text}' is not a share.", hint="Write 0.985 or 98.5%.")
    return float(found)


class Money(NamedTuple):
    """The options that turn a gap into money, as ``comparison.Prices`` has them."""

    price: float | None
    hours: float | None
    reject_price: float
    middlings_price: float | None = None


def comparison_request(
    lines: Iterable[str] | None,
    *,
    feed_rate: float | None,
    money: Money,
    fractions: Path | None,
    ranked_by: str,
    anonymous: bool,
) -> ComparisonRequest:
    """What options choose of a comparison beyond the brief.

    Raises:
        InputError: when only one of price and hours is given, or the fractions cannot be read.
    """
    from optimizer.comparison import ComparisonRequest, Prices, read_fractions

    price, hours, reject, middlings = money
    if (price is None) != (hours is None):
        raise InputError(
            "--price and --hours go together: value of the product, hours per season.",
            hint="Write both, such as --price 2400 --hours 900",
        )
    prices = None
    if price is not None and hours is not None:
        prices = Prices(price, hours, reject, middlings=middlings)
    return ComparisonRequest(
        lines=[n.strip() for entry in lines or () for n in entry.split(",") if n.strip()] or None,
        feed_rate=feed_rate,
        prices=prices,
        fractions=None if fractions is None else read_fractions(fractions),
        ranked_by=ranked_by,
        anonymous=anonymous,
    )
