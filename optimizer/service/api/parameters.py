"""The parameters that several endpoints share, each declared once, and the brief made from them."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends, Header, Path, Query

from optimizer.comparison.request import RANKED_BY
from optimizer.errors import InputError
from optimizer.intake.settling.load_options import LONGEST_REASON
from optimizer.plant.documents import LARGEST
from optimizer.plant.shares import Confidence, Fraction
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import LABEL, LONGEST_NAME
from optimizer.service.exchange.typed_numbers import measured
from optimizer.service.recording.bodies import read_brief
from optimizer.text.key_values import key_values

MOST_SEED = 2**32 - 1

Line = Annotated[
    str | None, Query(description="The line.", max_length=LONGEST_NAME, examples=["deck-1"])
]
Latest = Annotated[
    int | None,
    Query(description="Only this many, those issued last; all when left out.", ge=1, le=200),
]
LineOfRows = Annotated[
    str | None,
    Query(description="Line of rows that name none.", min_length=1, max_length=LONGEST_NAME),
]
Since = Annotated[
    str | None,
    Query(description="Runs from this ISO date on.", max_length=40, examples=["2026-03-01"]),
]
DryRun = Annotated[bool, Query(description="Check the rows, and write nothing.")]
Samples = Annotated[bool, Query(description="Rows are readings over time.")]
MinGrade = Annotated[
    Fraction | None,
    Query(description="Grade to reach: 0.985 or 98.5%.", examples=[0.985]),
]
Confident = Annotated[Confidence | None, Query(description="Confidence in the grade: 0.9 or 90%.")]
Trials = Annotated[int | None, Query(description="How many trials to plan.", ge=1, le=50)]
Material = Annotated[
    list[str] | None,
    Query(description="Today's material, `KEY=VALUE`; repeat for more.", max_length=50),
]
WholeBrief = Annotated[
    str | None,
    Query(description="A whole brief as JSON, in place of line, min_grade, trials and material.",
          examples=['{"line": "deck-1", "limits": {"air": {"low": 30}}}']),
]  # fmt: skip
Lines = Annotated[
    list[str] | None,
    Query(description="The lines to compare; repeat for more. All when left out.", max_length=200),
]
FeedRate = Annotated[float | None, Query(description="Feed rate, in site units.", gt=0, le=LARGEST)]
Price = Annotated[
    float | None,
    Query(description="Price of product per unit of mass; with hours.", gt=0, le=LARGEST),
]
RejectPrice = Annotated[
    float, Query(description="Price of reject per unit of mass.", ge=-LARGEST, le=LARGEST)
]
MiddlingsPrice = Annotated[
    float | None,
    Query(
        description="Price of middlings likewise; that of reject when left out.",
        ge=-LARGEST,
        le=LARGEST,
    ),
]
Hours = Annotated[
    float | None, Query(description="Running hours of a season; with price.", gt=0, le=LARGEST)
]
RankBy = Annotated[
    str,
    Query(description="Quantity to rank by: attainable, current or gap.",
          pattern=f"^({'|'.join(RANKED_BY)})$"),
]  # fmt: skip
Anonymous = Annotated[bool, Query(description="Call lines A, B, C in the order of rank.")]
Form = Annotated[str, Query(description="Format: pdf, html or csv.", pattern="^(pdf|html|csv)$")]
MapX = Annotated[
    str | None,
    Query(description="Setting along the map. When left out, the one that matters most.",
          max_length=LONGEST_NAME, examples=["air"]),
]  # fmt: skip
MapY = Annotated[
    str | None,
    Query(description="Setting up the map; another one than `x`.",
          max_length=LONGEST_NAME, examples=["side_tilt"]),
]  # fmt: skip
Paper = Annotated[
    str, Query(description="Paper of the sheet: a4 or letter.", pattern="^(a4|letter)$")
]
BatchId = Annotated[str, Path(description="Id of the batch.", examples=["deck-1-7"])]
TrialNumber = Annotated[
    int, Path(description="Number of the trial in its batch, in the order to run them.", ge=1)
]
Seed = Annotated[
    int | None,
    Query(description="Seed of all random numbers; the seed of the service when left out.",
          ge=0, le=MOST_SEED),
]  # fmt: skip
AsOf = Annotated[
    int | None,
    Query(description="Version of the history; the latest when left out.", ge=0, le=2**53),
]
IfNoneMatch = Annotated[
    str | None, Header(description="ETag of an answer that the client already has.")
]
Prefer = Annotated[
    str | None, Header(description="`respond-async`: answer with a job at once.", examples=[""])
]
RunId = Annotated[str, Path(description="Id of the run.", examples=["r17"])]
ChangedRun = Annotated[
    str | None, Query(description="Id of the only run whose changes are told.", max_length=2000)
]
LineOfRun = Annotated[
    str | None,
    Query(description="Line of the run, where several have its id.", max_length=LONGEST_NAME),
]
Reason = Annotated[
    str | None,
    Query(description="Why; needed where the body has none.", max_length=LONGEST_REASON),
]
JobId = Annotated[str, Path(description="Id of the job.", pattern="^[0-9a-f]{32}$")]


def brief_of_query(
    line: Line = None,
    min_grade: MinGrade = None,
    trials: Trials = None,
    material: Material = None,
    brief: WholeBrief = None,
) -> dict[str, Any]:
    """The brief from the parameters of a query.

    Raises:
        InputError: when an entry of the material is not ``KEY=VALUE``, a key is given twice, or
            the material's name is too long.
        Problem: when a value is not a number, or a whole brief is not one or is not alone.
    """
    if brief is not None:
        if (line, min_grade, trials, material) != (None, None, None, None):
            raise Problem(
                422, "the query has a whole brief and parts of another one.", code="two-briefs",
                hint="Write line, min_grade, trials and material into the brief.",
            )  # fmt: skip
        try:
            return dict(read_brief(brief.encode()))
        except Problem as error:
            said = error.message.replace("the body", "brief")
            raise Problem(422, said, code=error.code, hint=error.hint) from None
    today: dict[str, Any] = {}
    for name, value in key_values(material or (), "material").items():
        if name != LABEL:
            today[name] = measured(value, f"material {name[:60]}")
        elif len(value) <= LONGEST_NAME:
            today[name] = value
        else:
            raise InputError(f"the material's name is longer than {LONGEST_NAME} characters.")
    found: dict[str, Any] = {"line": line, "material": today}
    found["goal"] = {} if min_grade is None else {"min_grade": min_grade}
    found["trials"] = {} if trials is None else {"count": trials}
    return {key: value for key, value in found.items() if value}


def brief_of_comparison(
    min_grade: MinGrade = None, confidence: Confident = None, material: Material = None
) -> dict[str, Any]:
    """The brief from the parameters of a comparison; the errors are those of ``brief_of_query``."""
    brief = brief_of_query(None, min_grade, None, material)
    if confidence is not None:
        brief["goal"] = {**brief.get("goal", {}), "confidence": confidence}
    return brief


def more_of_comparison(
    lines: Lines = None, feed_rate: FeedRate = None, price: Price = None, hours: Hours = None,
    reject_price: RejectPrice = 0.0, middlings_price: MiddlingsPrice = None,
    rank_by: RankBy = RANKED_BY[0], anonymous: Anonymous = False,
) -> dict[str, Any]:  # fmt: skip
    """What a query chooses of a comparison beyond the brief.

    Raises:
        Problem: when only one of price and hours is given.
    """
    if (price is None) != (hours is None):
        said = "price and hours go together: value of the product, hours of a season."
        raise Problem(422, said, code="price-without-hours")
    found: dict[str, Any] = {"lines": lines or None, "feed_rate": feed_rate}
    if price is not None:
        found["prices"] = {"product": price, "hours": hours, "reject": reject_price}
        if middlings_price is not None:
            found["prices"]["middlings"] = middlings_price
    if rank_by != RANKED_BY[0]:
        found["ranked_by"] = rank_by
    if anonymous:
        found["anonymous"] = True
    return found


def brief_of_diagnosis(
    line: Line = None, min_grade: MinGrade = None, material: Material = None
) -> dict[str, Any]:
    """The brief from the parameters of a diagnosis; the errors are those of ``brief_of_query``."""
    return brief_of_query(line, min_grade, None, material)


BriefOfQuery = Annotated[dict[str, Any], Depends(brief_of_query)]
MoreOfComparison = Annotated[dict[str, Any], Depends(more_of_comparison)]
BriefOfDiagnosis = Annotated[dict[str, Any], Depends(brief_of_diagnosis)]
BriefOfComparison = Annotated[dict[str, Any], Depends(brief_of_comparison)]
