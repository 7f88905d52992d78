"""The time zone of a plant: clock times that people write and read, as points in time and back.

A clock time that comes twice, when clocks are set back, is the first of the two. One that is
skipped, when clocks are set forward, is read with the offset that held before the change. These are
the rules of Python's ``fold=0`` (PEP 495). The time zone database is that of the system, or the
package ``tzdata`` where the system has none.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from functools import cache, cached_property
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

import numpy as np

from optimizer.errors import InputError, nearest

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Moments = NDArray[np.int64]
    Mask = NDArray[np.bool_]

DEFAULT = "UTC"
_DAY = 86_400_000_000
_QUARTER = 900_000_000
_EPOCH = datetime(1970, 1, 1)
_FIXED = re.compile(r"^UTC([+-])(0\d|1[0-4]):([0-5]\d)$")
# Years that Python's dates can represent, with room for an offset on both sides.
_FIRST_DAY, _LAST_DAY = -719_000, 2_932_000


@cache
def zone_names() -> tuple[str, ...]:
    """Names of time zones to offer, in alphabetical order: UTC, and those of an area and a city."""
    areas = ("Africa", "America", "Antarctica", "Asia", "Atlantic", "Australia", "Europe",
             "Indian", "Pacific")  # fmt: skip
    known = available_timezones()
    return (DEFAULT, *sorted(name for name in known if name.partition("/")[0] in areas))


class Instants(NamedTuple):
    """Clock times as points in time.

    Attributes:
        moments: microseconds since 1970 in UTC, shape (n,).
        skipped: which clock times were skipped when clocks were set forward, shape (n,).
        twice: which clock times came twice when clocks were set back, shape (n,).
    """

    moments: Moments
    skipped: Mask
    twice: Mask


@dataclass(frozen=True)
class TimeZone:
    """A time zone of the IANA database.

    Args:
        name: name such as ``Africa/Nairobi``, or a fixed offset such as ``UTC+02:00``; UTC by
            default.

    Raises:
        InputError: when the database has no zone of that name; the hint says the nearest one.
    """

    name: str = DEFAULT

    def __post_init__(self) -> None:
        if self.is_utc or _FIXED.match(self.name):
            return
        try:
            ZoneInfo(self.name)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            close = nearest(self.name, available_timezones())
            raise InputError(
                f"time zone '{self.name}' is not known.",
                code="unknown-time-zone",
                hint=f"{close if close.startswith('Did') else ''} Write a name of the IANA "
                "database, such as America/Bogota.".lstrip(),
            ) from None

    @classmethod
    def fixed(cls, sign: str, hours: int, minutes: int = 0) -> TimeZone:
        """The zone of a fixed offset from UTC.

        Raises:
            InputError: when no clock has that offset.

        >>> TimeZone.fixed("-", 5).name
        'UTC-05:00'
        """
        return cls(f"UTC{sign}{hours:02}:{minutes:02}")

    @property
    def is_utc(self) -> bool:
        """Whether clock times of the zone are UTC."""
        return self.name == DEFAULT

    @cached_property
    def _rules(self) -> tzinfo:
        if fixed := _FIXED.match(self.name):
            ahead = timedelta(hours=int(fixed[2]), minutes=int(fixed[3]))
            return timezone(ahead if fixed[1] == "+" else -ahead)
        return UTC if self.is_utc else ZoneInfo(self.name)

    def to_utc(self, clock: Moments) -> Instants:
        """Clock times as points in time.

        Args:
            clock: clock times in microseconds since 1970 by the clock, shape (n,).
        """
        skipped, twice = np.zeros((2, len(clock)), bool)
        if self.is_utc or not len(clock):
            return Instants(clock, skipped, twice)
        # Offsets are looked up once for each day; only on the days of a change once for each time.
        days, which = np.unique(clock // _DAY, return_inverse=True)
        offsets = np.zeros(len(days), np.int64)
        changing = np.zeros(len(days), bool)
        for k, day in enumerate(days.tolist()):
            edges = {x for end in (day, day + 1) for x in self._offsets(end * _DAY)}
            offsets[k], changing[k] = min(edges), len(edges) > 1
        found = clock - offsets[which]
        on_a_change, at = np.unique(clock[changing[which]], return_inverse=True)
        both = np.array([self._offsets(each) for each in on_a_change.tolist()], np.int64)
        first, second = both.reshape(-1, 2)[at].T
        changed = changing[which]
        found[changed] = clock[changed] - first
        skipped[changed], twice[changed] = first < second, first > second
        return Instants(found, skipped, twice)

    def both_of_twice(self, moment: datetime) -> tuple[datetime, datetime]:
        """The two points in time, with their offsets, at which clocks show what they show at the
        first of them; they are equal for a clock time that comes once."""
        first = self.clock(moment)
        return first, first.replace(fold=1).astimezone(UTC).astimezone(self._rules)

    def to_clock(self, moments: Moments) -> Moments:
        """Points in time in microseconds since 1970 as clock times in the same unit; (n,) each."""
        if self.is_utc or not len(moments):
            return moments
        # Clocks are changed at full quarters of an hour.
        quarters, which = np.unique(moments // _QUARTER, return_inverse=True)
        offsets = [self._offset_at(quarter * _QUARTER) for quarter in quarters.tolist()]
        return np.asarray(moments + np.array(offsets, np.int64)[which])

    def _offsets(self, clock: int) -> tuple[int, int]:
        """Offsets from UTC, in microseconds, of the first and the second reading of a clock time.

        They differ for a clock time that comes twice or was skipped.
        """
        if not _FIRST_DAY < clock // _DAY < _LAST_DAY:
            return 0, 0
        shown = _EPOCH + timedelta(microseconds=clock)
        first, second = (shown.replace(fold=k, tzinfo=self._rules).utcoffset() for k in (0, 1))
        assert first is not None
        assert second is not None
        micro = timedelta(microseconds=1)
        return first // micro, second // micro

    def _offset_at(self, moment: int) -> int:
        """Offset from UTC at a point in time, both in microseconds."""
        if not _FIRST_DAY < moment // _DAY < _LAST_DAY:
            return 0
        at = _EPOCH.replace(tzinfo=UTC) + timedelta(microseconds=moment)
        offset = at.astimezone(self._rules).utcoffset()
        assert offset is not None
        return offset // timedelta(microseconds=1)

    def instant(self, written: date | datetime) -> datetime:
        """A date (its first moment) or time as a point in time in UTC; a time with an offset keeps
        its own.

        Raises:
            OverflowError: when the result is outside the years 1 to 9999.
        """
        if not isinstance(written, datetime):
            written = datetime(written.year, written.month, written.day)
        local = written if written.tzinfo else written.replace(tzinfo=self._rules)
        return local.astimezone(UTC)

    def clock(self, moment: datetime) -> datetime:
        """A point in time as the clock of the plant shows it, with its offset."""
        return moment.astimezone(self._rules)

    def shown(self, moment: datetime) -> str:
        """A point in time for people: clock time to the minute, and the zone.

        >>> TimeZone("America/Bogota").shown(datetime(2026, 3, 2, 11, 30, tzinfo=UTC))
        '2026-03-02 06:30 America/Bogota'
        """
        return f"{self.clock(moment):%Y-%m-%d %H:%M} {self.name}"

    def day_of(self, text: str) -> str:
        """The day that the calendar of the plant shows at a point in time given as ISO 8601.

        >>> TimeZone("America/Bogota").day_of("2026-03-02T03:30:00Z")
        '2026-03-01'
        """
        return self.clock(datetime.fromisoformat(text)).date().isoformat()

    def today(self, now: datetime) -> date:
        """The day that the calendar of the plant shows at a point in time."""
        return self.clock(now).date()


UTC_ZONE = TimeZone()
"""The time zone of a plant that names none."""
